"""An open fleet, what is asked of it and about which part, and what it has on record."""
