"""One module a resource: its paths, its query parameters with their bounds, and nothing else."""
