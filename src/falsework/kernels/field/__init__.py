"""Fields over a grid in the plane: heights, the nearest way to an outline, a net of triangles."""
