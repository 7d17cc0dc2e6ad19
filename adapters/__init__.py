"""Ways in and out: one file a transport, pure parsers apart from transports."""
