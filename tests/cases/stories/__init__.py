"""Stories: recordings with what must come out of them."""
