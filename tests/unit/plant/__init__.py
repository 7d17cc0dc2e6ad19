"""Unit tests of the plant file room."""
