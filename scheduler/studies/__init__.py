"""Studies over long times: a year in windows, supply contracts side by side, a back-test."""
