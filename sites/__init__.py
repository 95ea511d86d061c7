"""Places: customer sites, areas, floor plans, hazards, access notes. Imports company only."""
