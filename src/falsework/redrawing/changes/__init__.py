"""One file for each kind of change, drafted for one underside; what several share lies beside them."""
