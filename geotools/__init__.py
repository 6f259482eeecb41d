"""Plan rattlesnake exclusion barriers for whole subdivisions."""
