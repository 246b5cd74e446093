"""Complications by client: how sure a share is where several piercings are one client's, and the share of clients."""

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.clustered import client_proportion, ear_proportion


def judge_client_shares(client_counts: pl.DataFrame) -> pl.DataFrame:
    """client_shares: a row for each watched complication, from the measure client_counts."""
    return RESULT_BY_NAME["client_shares"].gather(
        _share(name, own)
        for name in v.WATCHED
        if not (own := client_counts.filter(pl.col("complication") == name)).is_empty()
    )


def _share(complication: str, own: pl.DataFrame) -> pl.DataFrame:
    events, ears = (np.repeat(own[name].to_numpy(), own["clients"]) for name in ("events", "procedures"))
    of_ears, of_clients = ear_proportion(events, ears), client_proportion(events, ears)
    return pl.DataFrame(
        {
            "complication": complication,
            "procedures": int(ears.sum()),
            "events": int(events.sum()),
            "rate": of_ears.share,
            "wilson_low": float(of_ears.plain.low),
            "wilson_high": float(of_ears.plain.high),
            "design_effect": of_ears.design_effect,
            "clustered_low": float(of_ears.clustered.low),
            "clustered_high": float(of_ears.clustered.high),
            "clients": len(ears),
            "clients_with": int((events > 0).sum()),
            "client_rate": of_clients.share,
            "client_low": float(of_clients.interval.low),
            "client_high": float(of_clients.interval.high),
        }
    )
