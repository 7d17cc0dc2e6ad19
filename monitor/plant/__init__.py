"""What the plant file says, and the words (readings, entries) the rooms exchange."""
