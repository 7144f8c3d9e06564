"""Invented fleets for the pages' tests, benchmarks and pictures. Nobody and nothing in here is real."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from trimkeep.detectors.history.model import (
    Change,
    ChangeItem,
    Effect,
    Finding,
    FindingKind,
    LikelyCause,
    Series,
    SeriesPoint,
    Tier,
    Verdict,
)
from trimkeep.reports.inputs import (
    AirframeRow,
    DigestInput,
    FlightRow,
    Hint,
    LogNotRead,
    MaintenanceRow,
    MetricWords,
    NotMeasuredRow,
    Promise,
)

MONDAY = datetime(2026, 3, 9, tzinfo=UTC)
SUNDAY_EVENING = MONDAY + timedelta(days=6, hours=20)
METRICS = {
    "altitude_error_rms_m": MetricWords("Altitude error, root mean square", "m", "lower"),
    "climb_rate_rms_mps": MetricWords("Climb rate while altitude is held", "m/s", "lower"),
    "pitch_period_power": MetricWords("Share of pitch motion in one slow swing", "share", "lower"),
    "elevator_trim": MetricWords("Mean elevator command in straight level flight", "", "nearer_zero"),
    "elevator_play": MetricWords("Free play of the elevator", "share", "lower"),
    "vibration_rms_mps2": MetricWords("Vibration at cruise throttle", "m/s2", "lower"),
    "cruise_energy_whpkm": MetricWords("Energy per air-kilometre", "Wh/km", "lower"),
    "armed_after_landing_s": MetricWords("Time armed after landing", "s", "lower"),
}
FAMILIES = {
    "altitude_error_rms_m": "altitude_hold",
    "climb_rate_rms_mps": "altitude_hold",
    "pitch_period_power": "oscillation",
    "elevator_trim": "trim",
    "elevator_play": "linkage",
    "vibration_rms_mps2": "vibration",
    "cruise_energy_whpkm": "energy",
    "armed_after_landing_s": "ground_handling",
}
MATTERS = {
    "altitude_error_rms_m": 0.5,
    "climb_rate_rms_mps": 0.15,
    "pitch_period_power": 0.1,
    "elevator_trim": 0.05,
    "elevator_play": 0.02,
    "vibration_rms_mps2": 1.0,
    "cruise_energy_whpkm": 0.4,
    "armed_after_landing_s": 20.0,
}


def flight_id(airframe: str, order: int) -> str:
    """A made-up but stable flight id."""
    return f"{hashlib.sha256(f'{airframe}/{order}'.encode()).hexdigest()[:12]}-1"


def series(
    airframe: str, metric: str, levels: list[tuple[int, float]], *, scatter: float, seed: int, context: str
) -> Series:
    """A history from runs of (number of flights, level), ending on the Sunday of the example week."""
    rng = np.random.default_rng(seed)
    wanted = np.concatenate([np.full(count, level) for count, level in levels])
    values = wanted * np.exp(scatter * rng.standard_normal(wanted.size))
    points = tuple(
        SeriesPoint(
            flight_id(airframe, order),
            order,
            SUNDAY_EVENING - timedelta(days=1.3 * (wanted.size - 1 - order), hours=9 - 0.37 * (order % 5)),
            float(value),
            float(abs(value)) * 0.5 * scatter,
            900.0,
            {"wind_mps": float(4.0 + rng.gamma(2.0, 1.0))},
        )
        for order, value in enumerate(values)
    )
    return Series(
        airframe,
        "example",
        FAMILIES[metric],
        metric,
        context,
        METRICS[metric].unit,
        METRICS[metric].better,
        "log",
        MATTERS[metric],
        points,
    )


def change(airframe: str, order: int, n_flights: int, *items: ChangeItem) -> Change:
    """A boundary before flight `order` of a history of `n_flights`."""
    at = SUNDAY_EVENING - timedelta(days=1.3 * (n_flights - 1 - order) + 0.6)
    return Change(f"{airframe}:{flight_id(airframe, order)}", airframe, at, order, items)


def finding(
    airframe: str,
    metric: str,
    verdict: Verdict,
    *,
    context: str = "held_level",
    kind: FindingKind = "known_change",
    about: Change | None = None,
    effect: tuple[float, float, float, float] | None = None,
    flights: tuple[int, int] = (8, 8),
    tier: Tier = Tier.CALLED,
    needed: int | None = None,
    causes: tuple[LikelyCause, ...] = (),
    odd: tuple[str, ...] = (),
    seen: tuple[str, ...] = (),
    opened: datetime = SUNDAY_EVENING - timedelta(days=1),
) -> Finding:
    """A finding; `effect` is level before, level after, low and high of the difference."""
    size = None
    if effect is not None:
        before, after, low, high = effect
        ratio = after / before if before > 0.0 else None
        size = Effect(ratio, after - before, low, high, METRICS[metric].unit, before, after)
    return Finding(
        id=f"{airframe}/{metric}/{context}/{kind}/{about.id if about else 'step'}",
        scope="airframe",
        airframes=(airframe,),
        metric=metric,
        family=FAMILIES[metric],
        context=context,
        kind=kind,
        verdict=verdict,
        tier=tier,
        change=about,
        effect=size,
        flights_before=flights[0],
        flights_after=flights[1],
        flights_needed=needed,
        e_value=40.0,
        opened_at=opened,
        updated_at=opened,
        likely_causes=causes,
        down_weighted=odd,
        evidence_flights=seen,
    )


def busy_week() -> DigestInput:
    """A week in which every section has something to say."""
    new_firmware = ChangeItem("firmware", "", "4.2.1", "4.3.0", True, "R. Vale")
    heron = change("heron-01", 20, 28, new_firmware)
    tern = change("tern-02", 14, 22, new_firmware)
    plover = change(
        "plover-03", 12, 21, ChangeItem("servo", "elevator servo", "S-104", "S-131", True, "M. Quill")
    )
    avocet = change(
        "avocet-05", 18, 22, ChangeItem("propeller", "", "11x7, worn", "11x7, new", True, "M. Quill")
    )
    dunlin = change("dunlin-06", 16, 26, ChangeItem("parameters", "PITCH_GAIN", "0.80", "0.95", False))
    all_series = (
        series(
            "heron-01",
            "altitude_error_rms_m",
            [(20, 2.4), (8, 6.1)],
            scatter=0.2,
            seed=1,
            context="held_level",
        ),
        series(
            "heron-01", "climb_rate_rms_mps", [(20, 0.5), (8, 1.1)], scatter=0.2, seed=2, context="held_level"
        ),
        series(
            "tern-02",
            "altitude_error_rms_m",
            [(14, 1.9), (8, 3.6)],
            scatter=0.22,
            seed=3,
            context="held_level",
        ),
        series(
            "plover-03",
            "altitude_error_rms_m",
            [(12, 5.2), (9, 2.1)],
            scatter=0.2,
            seed=4,
            context="held_level",
        ),
        series(
            "plover-03", "elevator_play", [(12, 0.11), (9, 0.02)], scatter=0.25, seed=5, context="held_level"
        ),
        series(
            "curlew-04", "vibration_rms_mps2", [(17, 4.0), (9, 7.9)], scatter=0.15, seed=6, context="cruise"
        ),
        series(
            "avocet-05", "cruise_energy_whpkm", [(18, 5.4), (4, 4.9)], scatter=0.08, seed=7, context="cruise"
        ),
        series("dunlin-06", "altitude_error_rms_m", [(26, 2.2)], scatter=0.16, seed=8, context="held_level"),
        series(
            "knot-07",
            "armed_after_landing_s",
            [(11, 12.0), (1, 214.0)],
            scatter=0.3,
            seed=9,
            context="ground",
        ),
        series("knot-07", "altitude_error_rms_m", [(12, 2.8)], scatter=0.2, seed=10, context="held_level"),
    )
    gains = LikelyCause(
        "loop_gain",
        0.72,
        ("altitude_worse", "swing_only_when_held", "parameters_moved"),
        ("no_play_growth",),
        "compare_gains",
    )
    play = LikelyCause("linkage_play", 0.18, ("limit_cycle",), ("play_unchanged",), "inspect_linkage")
    prop = LikelyCause("propeller_imbalance", 0.81, ("tone_at_shaft_speed",), (), "balance_propeller")
    armed = LikelyCause("armed_on_ground", 0.99, ("armed_after_landing",), (), "disarm_habit")
    findings = (
        finding(
            "heron-01",
            "altitude_error_rms_m",
            Verdict.WORSE,
            about=heron,
            effect=(2.41, 6.08, 2.5, 4.9),
            causes=(gains, play),
            odd=(flight_id("heron-01", 9),),
            seen=(flight_id("heron-01", 12), flight_id("heron-01", 25)),
        ),
        finding("heron-01", "climb_rate_rms_mps", Verdict.WORSE, about=heron, effect=(0.5, 1.09, 0.33, 0.9)),
        finding(
            "tern-02",
            "altitude_error_rms_m",
            Verdict.WORSE,
            about=tern,
            effect=(1.93, 3.58, 0.8, 2.6),
            flights=(14, 8),
            causes=(gains,),
        ),
        finding(
            "plover-03",
            "altitude_error_rms_m",
            Verdict.BETTER,
            about=plover,
            effect=(5.2, 2.06, -4.2, -2.1),
            flights=(12, 9),
        ),
        finding(
            "plover-03", "elevator_play", Verdict.BETTER, about=plover, effect=(0.108, 0.021, -0.11, -0.06)
        ),
        finding(
            "curlew-04",
            "vibration_rms_mps2",
            Verdict.WORSE,
            context="cruise",
            kind="unexplained_step",
            effect=(4.0, 7.8, 2.6, 5.2),
            flights=(17, 9),
            causes=(prop,),
        ),
        finding(
            "avocet-05",
            "cruise_energy_whpkm",
            Verdict.BETTER,
            context="cruise",
            about=avocet,
            effect=(5.4, 4.92, -0.95, 0.02),
            flights=(18, 4),
            tier=Tier.WATCH,
            needed=4,
        ),
        finding(
            "dunlin-06",
            "altitude_error_rms_m",
            Verdict.NO_MATERIAL_CHANGE,
            about=dunlin,
            effect=(2.2, 2.25, -0.3, 0.4),
            flights=(16, 10),
        ),
        finding(
            "dunlin-06",
            "climb_rate_rms_mps",
            Verdict.TOO_EARLY,
            about=dunlin,
            flights=(16, 10),
            needed=None,
        ),
        finding(
            "knot-07",
            "armed_after_landing_s",
            Verdict.ATTENTION,
            context="ground",
            kind="condition_of_flight",
            flights=(0, 1),
            causes=(armed,),
            seen=(flight_id("knot-07", 11),),
        ),
    )
    pooled = replace(
        findings[0],
        id="fleet/firmware/4.3.0/altitude_error_rms_m",
        scope="fleet",
        airframes=("heron-01", "tern-02"),
        effect=Effect(2.2, 2.6, 1.4, 3.8, "m", 2.1, 4.7),
        flights_before=34,
        flights_after=16,
        down_weighted=(),
    )
    names = {one.airframe: len(one.points) for one in all_series}
    flights = tuple(
        FlightRow(one.airframe, point.flight_id, point.at, 1480.0, f"{one.airframe}-{point.order:03d}.tlog")
        for one in all_series
        if one.metric in ("altitude_error_rms_m", "vibration_rms_mps2", "cruise_energy_whpkm")
        for point in one.points
        if point.at >= MONDAY
    )
    firmware = {"heron-01": "4.3.0", "tern-02": "4.3.0"}
    airframes = tuple(
        AirframeRow(
            name, "2.2 m twin survey plane", count, 0.41 * count, firmware.get(name, "4.2.1"), SUNDAY_EVENING
        )
        for name, count in names.items()
    )
    return DigestInput(
        fleet_name="Saltmarsh Survey",
        time_zone="Europe/Lisbon",
        units="metric",
        period_start=MONDAY,
        period_end=MONDAY + timedelta(days=7),
        now=SUNDAY_EVENING,
        airframes=(*airframes, AirframeRow("smew-08", "1.4 m trainer", 0, 0.0, None, None)),
        findings=(*findings, pooled),
        series=all_series,
        changes=(heron, tern, plover, avocet, dunlin),
        flights=flights,
        metrics=METRICS,
        logs_not_read=(
            LogNotRead(
                "tern-02/2026-03-12-1410.tlog",
                "the file ends in the middle of a packet at byte 1048576. Copy it again from the card.",
            ),
        ),
        not_measured=(
            NotMeasuredRow("Airspeed scale by the wind triangle", "missing_channel", 7, "airspeed_mps"),
            NotMeasuredRow("Vibration at cruise throttle", "rate_too_low", 3),
        ),
        promise=Promise(0.1, 214, 40, 2, 0.05, 0.006, 0.169),
        maintenance=(
            MaintenanceRow(
                "plover-03",
                MONDAY - timedelta(days=5),
                "servo",
                "elevator servo",
                "S-104",
                "S-131",
                "M. Quill",
                "gear had a flat tooth",
            ),
            MaintenanceRow(
                "avocet-05",
                MONDAY + timedelta(days=1),
                "propeller",
                "",
                "11x7, worn",
                "11x7, new",
                "M. Quill",
            ),
        ),
        hints=(
            Hint(
                "knot-07",
                "knot-07/airframe.toml",
                ("[modes]", '7 = "cruise"        # 41 min, altitude and heading held'),
                "altitude hold can be measured in mode 7",
            ),
        ),
        journal_head="9f2c41d07be85a3366e1c4f0a2b97d1854e0c9ab12fd3377a6b0e4c8d95f1120",
        versions={"trimkeep": "0.1.0"},
    )


def quiet_week() -> DigestInput:
    """A week with flights and nothing to say about them."""
    busy = busy_week()
    keep = frozenset({"dunlin-06", "knot-07"})
    return replace(
        busy,
        findings=(),
        changes=(),
        maintenance=(),
        logs_not_read=(),
        not_measured=(),
        hints=(),
        airframes=tuple(row for row in busy.airframes if row.id in keep),
        series=tuple(
            one for one in busy.series if one.airframe in keep and one.metric == "altitude_error_rms_m"
        ),
        flights=tuple(flight for flight in busy.flights if flight.airframe in keep),
    )
