"""Studies: questions that take many plans, or more than one plan day, to answer."""
