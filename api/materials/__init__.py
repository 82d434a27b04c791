"""`/v1/materials`: the library of metals with the source of each value."""
