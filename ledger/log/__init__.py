"""The log: the pen, appending, reading, and the codec with its schema steps. Knows PostgreSQL, not the rules."""
