"""Pictures: triangles drawn into buffers, buffers into ink, regions looked up."""
