"""Tests of the status room: addresses, entries, guard, stream, metrics, pages, drawings."""
