"""Map the ground that rattlesnakes come from: open desert, washes, vegetation, land cover, rock."""

from geotools.habitat.layer import map_habitat
from geotools.habitat.surface import map_habitat_surface
from geotools.habitat.washes import widen_washes

__all__ = ["map_habitat", "map_habitat_surface", "widen_washes"]
