"""Sections that several pages share: each gives tables or figures from an edition."""
