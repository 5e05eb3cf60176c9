"""Studies above planning: how a plan holds, what limits cost, what readings and past days say."""
