"""The ways in and out against real brokers and pseudo-terminals."""
