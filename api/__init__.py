"""The JSON API over the ledger: resources, keys, problems, and the composition root."""
