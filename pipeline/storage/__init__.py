"""Where things are kept: the warehouse, people's decisions, the lake of a cluster, backups."""
