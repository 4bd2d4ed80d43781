"""A drafted change made, and judged by the layers of what results."""
