"""The sans-I/O protocol core: bytes in, messages out, and back. No clock, no ports, every buffer bounded."""
