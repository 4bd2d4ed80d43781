"""What is known before a change is drawn: the planned part, one underside of it, its outline and ceiling."""
