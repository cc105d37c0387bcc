"""The accountant's books: pure figures over what the projections hold."""
