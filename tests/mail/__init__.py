"""Mail of a night: what it says and does not say, what lies in the outbox, and how a real server takes it."""
