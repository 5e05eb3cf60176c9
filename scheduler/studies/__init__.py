"""Studies above planning: how a plan holds when the day turns out otherwise, and what each limit costs."""
