"""Money when it was used up: parts spread over the distance that they serve, in constant prices."""

import numpy as np
import pandas as pd

from wearbar.cost.account import each_period, exposure


def spread(account, rows, spans, path):
    """(lines, stock): `account.lines`, with what parts cost over the distance they served.

    rows: `parts.segments_of`. spans: `parts.spans_of` with `usual_km`, the distance in service of
    the like. A part that has ended served what it ran; one in service is to serve its usual
    distance, or what it has run where that is more (units of production: common practice in
    accounts, no source). What cannot be spread, as all other money, stands on its day. stock: a row
    a line of `fitted` with money: vehicle, detail, amount, used_amount, left_amount, is_spread."""
    lines = account.lines.reset_index(drop=True)
    paid = lines[lines["source"].eq("fitted") & lines["amount"].notna()]
    own = paid.reset_index(names="paid")[["paid", "line", "amount"]]
    own = own.merge(rows[["line", "life", "start"]], on="line")
    legs = own.merge(rows.drop(columns="line"), on="life", suffixes=("_paid", ""))
    part = spans[["category", "part_key", "cause", "usual_km"]]
    legs = legs[legs["start"] >= legs["start_paid"]].merge(part)
    run = legs["length_km"].fillna(-np.inf).groupby(legs["paid"]).transform("sum")
    usual = legs["usual_km"].clip(lower=run).where(legs["usual_km"].notna())
    goes_on = legs["cause"].isin(["still-on", "stored", "moved", "rotated"])
    legs["used"] = run / usual.where(goes_on, run)
    legs = legs[(run > 0) & legs["used"].notna()].reset_index(drop=True)
    legs, month = each_period(legs, legs["start"], legs["end"], "M")
    legs = legs.reset_index(drop=True)
    first = np.maximum(legs["start"], pd.Series(month.start_time))
    last = np.minimum(legs["end"], pd.Series(month.end_time.normalize()))
    driven = exposure(path, legs["vehicle"], first, last)
    km = driven["distance_km"].fillna(0.0)
    share = legs["used"] * km / km.groupby(legs["paid"]).transform("sum")
    legs = legs.assign(date=driven["known_to"], amount=legs["amount"] * share)[km > 0]
    about = legs[["vehicle", "date", "amount"]]
    told = lines.loc[legs["paid"]].set_index(legs.index).assign(**about, with_distance=True)
    used = legs.groupby("paid")["amount"].sum()
    stock = paid[["vehicle", "detail", "amount"]].assign(is_spread=paid.index.isin(used.index))
    stock["used_amount"] = used.reindex(paid.index).fillna(paid["amount"])
    stock["left_amount"] = stock["amount"] - stock["used_amount"]
    return pd.concat([lines.drop(index=used.index), told], ignore_index=True), stock


def price_level(index, date):
    """Prices of the last month of table `price_index` (not empty) over those of each date: array,
    NaN before its first month, between months by the log; after the last prices stand."""
    month = pd.PeriodIndex(index["month"].str[:7], freq="M").astype("int64")
    known = pd.Series(np.log(index["index"].to_numpy()), month).groupby(level=0).first()
    at = pd.PeriodIndex(date.dt.to_period("M")).astype("int64")
    return np.exp(known.iat[-1] - np.interp(at, known.index, known, left=np.nan))
