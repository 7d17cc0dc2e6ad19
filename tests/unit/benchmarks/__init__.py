"""Tests of the benchmarks themselves: scoring, the rival, the invented halls."""
