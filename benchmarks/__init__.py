"""Side-by-side measurements, each a script that prints a table: `python -m benchmarks.appends` and so on."""
