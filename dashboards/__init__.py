"""Pages for three people: fleet manager, site operator, workshop. They read `out_*` frames only."""
