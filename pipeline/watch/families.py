"""The families of slices that are watched: what piercings are told apart by, each with its own threshold."""

FAMILIES = (
    "all",
    "branch",
    "site_group",
    "article",
    "material",
    "practitioner",
    "lot",
    "batch",
    "branch:site_group",
    "branch:article",
    "site_group:article",
    "practitioner:site_group",
    "site_group:lot",
    "branch:lot",
)
"""Dimensions watched; parts of a pair stand in the order dimensions are listed in."""

WEIGHTS: dict[str, float] = dict.fromkeys(FAMILIES, 1.0) | {"all": 14.0, "branch": 4.0, "practitioner:site_group": 4.0}
"""Each family's part of the budget of false alarms: more where a rise is likeliest, and where it is hardest to see."""
