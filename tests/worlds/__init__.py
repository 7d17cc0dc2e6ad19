"""Our own simulated halls, written in the format of a field recording: plant, readings, entries and the truth."""
