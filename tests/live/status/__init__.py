"""Live tests of the status room: a real server, a real browser."""
