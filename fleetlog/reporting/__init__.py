"""The month's report: its findings, and what renders the templates of reports/ with them.

Nothing is imported here, so that the sheet alone waits for no picture.
"""
