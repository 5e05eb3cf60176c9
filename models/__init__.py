"""Physics and accounting of chlor-alkali cell rooms, on numpy and the standard library only."""
