"""The store, its key, the night's one transaction, and the published folder."""
