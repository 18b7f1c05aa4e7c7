"""The places that are drawn, a module each: `rasters()` and `outlines()` by file name, from one fixed seed."""
