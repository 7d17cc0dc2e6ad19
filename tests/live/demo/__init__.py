"""Tests of the invented works."""
