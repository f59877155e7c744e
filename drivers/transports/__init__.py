"""Transports own the ports: they open, ask, time out and reconnect, and know no quantity."""
