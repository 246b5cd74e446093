"""Intake: from the inbox to the raw tables, with every row's fate kept."""
