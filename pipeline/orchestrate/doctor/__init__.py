"""Is everything in order: versions, settings, stores, disk, last runs. Looks only, mends nothing."""
