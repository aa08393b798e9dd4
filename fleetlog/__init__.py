"""fleetlog: service history and failure analytics for yards that keep compact loaders."""
