"""Splitting a part into pieces that need less support: where to cut, how the pieces lie and are joined."""
