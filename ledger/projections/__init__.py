"""Read models: each a name, a version, the tables that it alone owns, and a step over entries. All rebuildable from the log."""
