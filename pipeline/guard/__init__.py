"""The guard against direct identifiers."""
