"""Gathers findings and renders the templates of reports/."""
