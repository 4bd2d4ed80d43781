"""Outlines of layers: rings, distances between them, and the strips and chords that fit in them."""
