"""Sources of the extractors, the same for every link; their names begin with ``lb_`` where it is C."""
