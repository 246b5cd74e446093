"""Mail that a night owes: composed, laid into the outbox beside the store, and handed to a server where one is set."""
