"""The exports' contract, declared once: tables, columns, vocabularies and rules with their remedies."""
