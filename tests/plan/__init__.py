"""The electronics plan."""
