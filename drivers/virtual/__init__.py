"""A simulated site that answers on real pseudo-terminals with frame code of its own."""
