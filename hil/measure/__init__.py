"""From trace chunks to series to numbers with uncertainties. Pure: no ports, no clock, no files."""
