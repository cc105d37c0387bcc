"""The demo: an invented nursery, simulated with a hidden truth, told as entries and posted through the service.

`history` tells the nursery's days, `post` posts them, `tour` asks about them. Nothing in the product imports this folder
but the command that runs the demo.
"""
