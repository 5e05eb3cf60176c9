"""Studies above planning: other days, limits, long times, and what readings and past days say."""
