"""Closed bodies: the part as a solid, meshes back from it, and the frames it lies in."""
