"""Support: where supports start, how they are designed and built, whether they stand."""
