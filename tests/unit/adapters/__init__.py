"""Parsers, framing and words of the ways in and out."""
