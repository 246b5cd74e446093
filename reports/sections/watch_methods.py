"""How the watch works, in words for the methods page: each entry's id, name, text, and methods of the library."""

WATCH_METHODS: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    (
        "watch-expected",
        "The watch: expected so far",
        "Each piercing of the last half year counts three things multiplied: the usual risk of those reached, by "
        "site group and age band, site, month of the year and branch; the chance that an event comes to be recorded,"
        " by the share of clients its branch reaches in that week and by how often others tell unasked; and the "
        "share of events that are known by its age. The reference period ends 56 days before the day (or once "
        "answers for the window are in), and leaves out piercings whose excess has a noted cause. Risks are drawn "
        "towards broader ones as ratios (c + O) / (c + E): an assumed risk counts as 11 events; a site group, an age"
        " band and a site in it are drawn by 10, a month and a branch by 25. A season is estimated from a year of "
        "data on. The assumed risks and the 25 % that tell unasked are assumptions, not from data, and soon "
        "outweighed.",
        ("reporting_delay",),
    ),
    (
        "watch-evidence",
        "The watch: evidence",
        "For the chain, every branch, site group, article, material, practitioner, lot and aftercare batch, and "
        "pairs of them, events are set against those expected so far in 36 windows of up to half a year that end "
        "on the day. The windows go by the day of the piercing, so reports that come all at once are no rise. What "
        "is not known for sure (a branch’s own usual risk) makes evidence weaker.",
        ("cohort_evidence",),
    ),
    (
        "watch-thresholds",
        "The watch: thresholds and false alarms",
        "How much evidence is needed is solved on invented years of the chain’s own piercings in which nothing is "
        "amiss, so that incidents are as many a year as are accepted: for infection four in a chain and one in two "
        "years in a single branch, unless the settings say otherwise, and for the other complications as many "
        "again together. Fourteen parts of it go to the whole chain, four to branches, four to practitioners by site "
        "group, one to each other kind of slice. Thresholds stay until the chain’s size or case mix changes by a "
        "quarter. Until there is half a year of data they follow from the chain’s size, and incidents are provisional.",
        ("cohort_evidence",),
    ),
    (
        "watch-incidents",
        "The watch: incidents",
        "A slice beyond its threshold opens an incident, unless an open one explains it: a further slice joins "
        "where it no longer stands once the incident’s own ratio is allowed for. An incident that nobody takes up "
        "fades after 28 days without a slice beyond its threshold. After a note that a cause was found, or that it "
        "was chance, the slice begins anew. What may be behind an incident is ranked by how much likelier a rise "
        "there makes what was seen than none, less how many slices of its kind there are; in words after Kass RE "
        "and Raftery AE (1995), Bayes factors, Journal of the American Statistical Association 90:773-795 (from "
        "memory).",
        ("cohort_evidence",),
    ),
    (
        "watch-answers",
        "The watch: answers",
        "Follow-up itself is watched, since fewer answers hide complications. A branch’s visits of the last 56 days "
        "that are answered by now are set against those that would be if all clients answered in the end, by how fast "
        "answers come in; the share is set against that of the 182 days before. A branch is marked where the chance of "
        "so few answers, or so many, had nothing changed, is below 1 in 10,000: Fisher RA (1935), The logic of "
        "inductive inference, Journal of the Royal Statistical Society 98:39-82 (from memory), one-sided. Visits are "
        "counted, not piercings, as one answer speaks for all of a visit; at least 20 must be due and 50 stand before.",
        (),
    ),
)
