"""A world written as a delivery: the files sites, the fleet office and the workshop hand over."""
