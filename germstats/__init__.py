"""Records a grower keeps, turned into emergence, timing and seeds per cell with honest ranges."""
