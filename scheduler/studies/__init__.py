"""Studies over long times or of several sites: a year in windows, contracts, a back-test, running costs."""
