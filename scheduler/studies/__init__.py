"""Studies above planning: how a plan holds on other days, what each limit costs, and long times."""
