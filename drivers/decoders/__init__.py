"""Pure decoders: bytes or registers in, readings out; they open nothing and read no clock."""
