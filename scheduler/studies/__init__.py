"""Studies above planning: what a plan is worth when the day turns out otherwise, and what each limit costs."""
