"""The pages: for the bench, the packing table and the office. Server-rendered, and they work without scripts for reading."""
