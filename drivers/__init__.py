"""Bytes to readings: decoders are pure, transports own the ports, `table` says what exists."""
