"""Kills between a change, its message and the mark that it was sent."""
