"""Requests nobody sends in good faith."""
