"""Showing a plan: tables, terminal page, JSON and chart, all from one list of names, units and cautions."""
