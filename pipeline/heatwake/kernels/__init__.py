"""Arrays in, arrays out: no xarray, no settings, no files."""
