"""Triangle meshes: how faces hang together, what they measure, where they cross, how planes cut them."""
