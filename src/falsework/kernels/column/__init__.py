"""Vertical columns through a turned part: the air in them, the solid in them, and the highest of them."""
