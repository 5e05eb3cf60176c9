"""Studies above planning: how a plan holds on other days, long times, contracts, running costs, readings."""
