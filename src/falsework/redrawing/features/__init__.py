"""What a part is for, found from its shape: bores, pins, flat faces."""
