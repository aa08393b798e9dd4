"""Pages of the site that the program itself writes, one module a kind of page."""
