"""Mutated input by the million: nothing crashes a parser, nothing wrong is taken as a good reading."""
