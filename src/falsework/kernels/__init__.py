"""Compiled functions over plain arrays, by what they work on: meshes, outlines of layers, fields over a
plane, columns of a turned part, beads that are laid, pictures."""
