"""Reading: from files to clean records, or one report of every problem of every file.

Owns files, tables, TOML, time strings and their messages. It decides nothing about loads and holds no
model of the plant: what a value may be stands in the records of `models`.
"""
