"""The files of a new site, invented and commented, as `brinewatt new` copies them."""
