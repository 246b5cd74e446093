"""Nights that something happens to: killed, out of space, without rights, with an inbox that changes under them."""
