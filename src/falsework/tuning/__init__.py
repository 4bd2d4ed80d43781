"""Tuning: from readings to a belief, and to settings with their evidence."""
