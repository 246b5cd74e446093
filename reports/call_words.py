"""Why a visit is called and what to ask, in words."""

from reports.words import COMPLICATION, named

RED_FLAG = "red_flag"

GROUP = {
    "red_flag": "Medical care today",
    "signal": "Exposed to what is being looked into, and not heard from",
    "unresolved": "A complication that nobody said is over",
    "missed_revisit": "A revisit missed, and none booked since",
    "first_check": "Not asked yet",
}
"""The reasons to call, the most urgent first."""

IN_SHORT = {
    "red_flag": "for medical care today",
    "signal": "for what is being looked into",
    "unresolved": "for complications not known to be over",
    "missed_revisit": "for missed revisits",
    "first_check": "for first checks",
}
"""What calls are for, after how many they are."""

ASK = {
    "red_flag": "Has a clinician seen the ear? If not, send the client to medical care today.",
    "signal": "How is the ear? Any redness, swelling, pus, growing pain, itching or fever since the piercing?",
    "unresolved": "Is it over, and since which day? Has a clinician seen it?",
    "missed_revisit": "How is the ear, and when would another day suit?",
    "first_check": "How is the ear healing? Any redness, swelling, pus, growing pain, itching or fever?",
}

_MISSED = {
    "no_show": "did not come to the revisit",
    "unknown": "nobody wrote down whether the client came to the revisit",
}


def why(reason: str, about: str | None) -> str:
    """Why a visit is called; `about` is the complication, the signal's slice or the revisit's state.

    Practitioners are not named: lists of calls go to branches.
    """
    if about is None:
        return GROUP[reason].lower()
    if reason == "red_flag":
        return f"{COMPLICATION[about]}, and no clinician is known to have seen it"
    if reason == "signal":
        complication, dimension, level = about.split("|", 2)
        exposure = "one practitioner’s piercings" if "practitioner" in dimension else named(dimension, level)
        return f"{exposure}, looked into for {COMPLICATION.get(complication, complication)}"
    return _MISSED[about] if reason == "missed_revisit" else COMPLICATION[about]
