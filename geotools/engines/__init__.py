"""Do the same piece of work for many tiles: one after the other here, or on the workers of a cluster."""
