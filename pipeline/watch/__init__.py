"""The watch: infections observed against those expected so far, over every slice of the chain, night by night.

A night's way: a cohort (`cohort`), what of it comes to be recorded (`recording`), its usual risk (`baseline`), both as
expected so far (`expected`), evidence of every slice (`scoring`), thresholds (`thresholds`), incidents (`incidents`).
"""
