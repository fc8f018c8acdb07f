"""Pictures and tables of invented lawns with known truth."""
