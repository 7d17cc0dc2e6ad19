"""Input nobody sends in good faith."""
