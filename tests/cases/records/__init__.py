"""A record as each earlier release would have left it, kept as SQL text: what upgrades are tried on."""
