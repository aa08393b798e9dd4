"""The command line: read arguments, call one finding, print."""
