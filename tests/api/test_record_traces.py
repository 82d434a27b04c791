"""Traces of records: sent as files, kept with their peaks and checksum, analysed, refused with the reason."""

from __future__ import annotations

import csv
import hashlib
import io
from math import exp, pi, sqrt
from typing import Any

import httpx
import numpy as np
import numpy.typing as npt
import pytest

from api.app import MAX_TRACE_BYTES
from api.examples import RECORD

Json = dict[str, Any]
Floats = npt.NDArray[np.float64]

#: A loop of constant inductance and resistance; its discharge is I = V / (w L) e^(-a t) sin(w t), as in any textbook.
FARAD, HENRY, OHM, VOLT = 1.2e-4, 1.1e-6, 1.4e-2, 6410.0
DAMPING = OHM / (2.0 * HENRY)
OMEGA = sqrt(1.0 / (HENRY * FARAD) - DAMPING**2)
#: The oscilloscope stores microseconds and volts across a shunt of 0.2 milliohm, 8 bits over 20 V.
START_US, SHUNT_OHM, STEP_V = 12.5, 2e-4, 20.0 / 256
PROBE = {"time_unit_s": 1e-6, "scale_a": 1.0 / SHUNT_OHM}


def current(since_s: Floats) -> Floats:
    since = np.maximum(since_s, 0.0)
    return np.asarray(VOLT / (OMEGA * HENRY) * np.exp(-DAMPING * since) * np.sin(OMEGA * since))


def stored(points: int) -> tuple[Floats, Floats]:
    """What the oscilloscope stores of it, with noise of about its step."""
    time_us = np.round(np.linspace(0.0, 212.5, points), 6)
    volts = SHUNT_OHM * current(1e-6 * (time_us - START_US)) + np.random.default_rng(5).normal(0.0, STEP_V, points)
    return time_us, np.round(volts / STEP_V) * STEP_V


def file_of(points: int) -> bytes:
    time_us, volts = stored(points)
    lines = "\r\n".join(f"{t:.6f},{v:.6f},0" for t, v in zip(time_us, volts, strict=True))
    return f"Coupling,DC\r\nt,CH1,CH2\r\nus,V,V\r\n{lines}\r\n".encode()


def put(client: httpx.Client, record: Json, file: bytes, **query: Any) -> httpx.Response:
    path, kind = record["links"]["trace"], {"Content-Type": "text/csv"}
    return client.put(path, content=file, params=PROBE | query, headers=kind)


@pytest.fixture
def record(client: httpx.Client) -> Json:
    """A record without a trace."""
    body = RECORD | {"set": {"charge_voltage_v": VOLT, "capacitance_farad": FARAD}}
    found: Json = client.post("/v1/records", json=body).raise_for_status().json()
    return found


def table(client: httpx.Client, record: Json, **query: str) -> tuple[list[str], Floats]:
    answer = client.get(record["links"]["trace"] + ".csv", params=query).raise_for_status()
    header, *rows = csv.reader(io.StringIO(answer.text))
    return header, np.array(rows, dtype=float)


def test_long_file_is_kept_reduced_and_read_whole(client: httpx.Client, record: Json) -> None:
    """Of half a million points at most 20,000 stay, with the peak; figures are the closed form's within their error."""
    points = 500_000
    file = file_of(points)
    body = put(client, record, file, time_column="t", value_column="CH1").raise_for_status().json()
    facts = body["trace"]
    assert facts["sha256"] == hashlib.sha256(file).hexdigest()
    assert (facts["source"], facts["points_count"]) == ("file", points)
    assert facts["kept_points_count"] <= 20_000
    header, kept = table(client, record, columns="stored")
    assert header == ["time", "value"]
    assert len(kept) == facts["kept_points_count"]
    assert kept[:, 1].max() == pytest.approx(stored(points)[1].max(), abs=1e-6)
    said = client.get(record["links"]["analysis"]).json()["analysis"]
    peak_s = np.arctan2(OMEGA, DAMPING) / OMEGA
    for name, error, wanted in (
        ("peak_current_a", "peak_current_error_a", float(current(np.array([peak_s]))[0])),
        ("time_to_peak_s", "time_to_peak_error_s", peak_s),
        ("first_current_zero_s", "first_current_zero_error_s", pi / OMEGA),
        ("inductance_henry", "inductance_error_henry", HENRY),
        ("resistance_ohm", "resistance_error_ohm", OHM),
        ("voltage_reversal_ratio", "voltage_reversal_error_ratio", exp(-DAMPING * pi / OMEGA)),
        ("charge_balance_ratio", "charge_balance_error_ratio", 1.0),
    ):
        assert abs(said[name] - wanted) < 4.0 * said[error] + 1e-4 * wanted, name
    header, clean = table(client, record)
    assert header == ["time_s", "current_a"]
    assert np.abs(clean[:, 1] - current(clean[:, 0])).max() < 6.0 * STEP_V / SHUNT_OHM
    row = client.get("/v1/records", params={"limit": 1}).json()["items"][0]
    assert row["peak_current_a"] == said["peak_current_a"]


def test_record_has_one_trace_for_good(client: httpx.Client, record: Json) -> None:
    """The same file again is the same record; another file, or the same read otherwise, is refused."""
    file = file_of(3000)
    first = put(client, record, file).raise_for_status().json()
    assert put(client, record, file).raise_for_status().json() == first
    for other in (put(client, record, file_of(3001)), put(client, record, file, delay_s=1e-7)):
        assert (other.status_code, other.json()["type"]) == (409, "/problems/record-has-trace")
    assert client.get(record["links"]["self"]).json() == first


def test_inline_trace_comes_with_its_record(client: httpx.Client) -> None:
    """It is analysed with the shot's capacitance and voltage, and read back as it was given."""
    time_us, volts = stored(2000)
    trace = {"time": time_us.tolist(), "value": volts.tolist(), "probe": PROBE}
    body = RECORD | {"set": {"charge_voltage_v": VOLT, "capacitance_farad": FARAD}, "trace": trace}
    made = client.post("/v1/records", json=body).raise_for_status().json()
    assert (made["trace"]["source"], made["trace"]["sha256"]) == ("inline", None)
    assert (table(client, made, columns="stored")[1] == np.column_stack((time_us, volts))).all()
    said = client.get(made["links"]["analysis"]).json()["analysis"]
    known = {"capacitance_farad": FARAD, "charge_voltage_v": VOLT}
    assert client.post("/v1/traces/analyse", json={"trace": trace} | known).json() == said
    alone = client.post("/v1/traces/analyse", json={"trace": trace}).json()
    assert alone["inductance_henry"] is None
    assert alone["peak_current_a"] == said["peak_current_a"]


@pytest.mark.parametrize(
    ("reason", "pointer", "parameter", "spoil"),
    [
        ("wrong_sign", "/trace/probe/scale_a", "scale_a", {"scale_a": -1.0 / SHUNT_OHM}),
        ("time_unit", "/trace/probe/time_unit_s", "time_unit_s", {"time_unit_s": 1e-3}),
        ("scale", "/trace/probe/scale_a", "scale_a", {"scale_a": 100.0 / SHUNT_OHM}),
    ],
)
def test_trace_that_reads_wrong_is_refused_where_it_is_wrong(
    client: httpx.Client, record: Json, reason: str, pointer: str, parameter: str, spoil: Json
) -> None:
    """The reason is named; the field of an inline trace, or the parameter of a file, is to blame; nothing is kept."""
    time_us, volts = stored(2000)
    trace = {"time": time_us.tolist(), "value": volts.tolist(), "probe": PROBE | spoil}
    inline = client.post("/v1/records", json=RECORD | {"set": {"capacitance_farad": FARAD}, "trace": trace})
    file = put(client, record, file_of(2000), **spoil)
    for answer, place, named in ((inline, "pointer", pointer), (file, "parameter", parameter)):
        assert (answer.status_code, answer.json()["type"]) == (422, "/problems/trace-refused"), answer.text
        assert answer.json()["reason"] == reason
        assert [error[place] for error in answer.json()["errors"]] == [named]
    assert client.get(record["links"]["self"]).json() == record
    assert client.get(record["links"]["analysis"]).status_code == 404
    assert client.get(record["links"]["trace"] + ".csv").status_code == 404


def test_clipped_and_broken_files_say_what_is_wrong(client: httpx.Client, record: Json) -> None:
    """A clipped top, swapped columns, a column that is not there, text that is no table."""
    time_us, volts = stored(2000)
    clipped = "\n".join(f"{t},{min(v, 6.0)}" for t, v in zip(time_us, volts, strict=True)).encode()
    swapped = "\n".join(f"{v},{t}" for t, v in zip(time_us, volts, strict=True)).encode()
    for file, query, reason in (
        (clipped, {}, "clipped"),
        (swapped, {}, "time_not_rising"),
        (file_of(2000), {"time_column": "t", "value_column": "CH9"}, "no_column"),
        (b"not a table", {}, "no_numbers"),
        (b"", {}, "no_numbers"),
    ):
        answer = put(client, record, file, **query)
        assert (answer.status_code, answer.json().get("reason")) == (422, reason), answer.text


def test_file_may_be_large_but_not_endless(client: httpx.Client, record: Json) -> None:
    """It may be longer than any JSON body, is refused beyond the limit, and is CSV by name."""
    too_large = put(client, record, b" " * (MAX_TRACE_BYTES + 1))
    assert (too_large.status_code, too_large.json()["type"]) == (413, "/problems/too-large")
    plain = client.put(record["links"]["trace"], content=file_of(2000), params=PROBE)
    assert (plain.status_code, plain.json()["type"]) == (415, "/problems/unsupported-media-type")
    half = put(client, record, file_of(2000), time_column="t")
    assert (half.status_code, half.json()["type"]) == (422, "/problems/invalid-input")
    wrong = put(client, record, file_of(2000), time_unit_s=-1.0)
    assert wrong.json()["errors"][0]["parameter"] == "time_unit_s"
