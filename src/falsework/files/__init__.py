"""Files: what a plan, a test piece or a redraw writes, all of it or nothing."""
