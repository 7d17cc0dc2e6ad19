"""Tests of the record on disk."""
