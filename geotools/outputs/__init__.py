"""Write what a run found as tables, a package of layers and a map."""
