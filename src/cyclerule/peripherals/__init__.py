"""One device per file, each timing fact with the place it is from; `catalogue` fits a chip with all it has."""
