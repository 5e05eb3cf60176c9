"""Studies: what many plans, or many readings, say together."""
