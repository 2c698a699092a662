"""Profiles, qualities and verdicts as JSON and back, without loss."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.findings import Amount, Finding, Severity
from autoalign.model.wavefront_forecast import WavefrontEstimate
from autoalign.spec.acceptance import Verdict
from autoalign.spec.terms import TermValue
from autoalign.strategies.base import Measurement

__all__ = ["decode_observation", "encode_observation", "plain"]

_TERM_NUMBERS = ("value", "target", "deviation", "uncertainty", "tolerance", "weight")


def plain(value: Any) -> Any:
    """Return ``value`` as something that JSON holds: numpy and tuples become lists and numbers.

    Infinities and NaN become strings ("inf", "nan"), which ``float`` reads back.
    """
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value


def encode_observation(measurement: Measurement) -> dict[str, Any]:
    """Return ``measurement`` as plain data."""
    parameters, verdict = measurement.parameters, measurement.verdict
    data: dict[str, Any] = {
        "free": measurement.positions,
        "profiles": {p: _encode_profile(v) for p, v in measurement.profiles.items()},
        "findings": [_encode_finding(f) for f in measurement.findings],
        "noise": measurement.noise,
        "parameters": None,
        "verdict": None,
        "wavefront": None if measurement.wavefront is None else asdict(measurement.wavefront),
    }
    if parameters is not None:
        data["parameters"] = {
            "names": parameters.names,
            "values": parameters.values,
            "covariance": parameters.covariance,
            "distances": dict(parameters.distances),
        }
    if verdict is not None:
        data["verdict"] = {
            "merit": verdict.merit,
            "findings": [_encode_finding(f) for f in verdict.findings],
            "residuals": verdict.residuals,
            "terms": [_encode_term(t) for t in verdict.terms],
        }
    result: dict[str, Any] = plain(data)
    return result


def decode_observation(data: Mapping[str, Any]) -> Measurement:
    """Return the measurement that :func:`encode_observation` was given."""
    profiles = {p: _decode_profile(p, v) for p, v in data["profiles"].items()}
    parameters, verdict = None, None
    if data["parameters"] is not None:
        q = data["parameters"]
        parameters = BeamParameters(
            tuple(q["names"]),
            _floats(q["values"]),
            _floats(q["covariance"]).reshape(len(q["names"]), -1),
            {p: float(z) for p, z in q["distances"].items()},
            {p: v for p, v in profiles.items() if p in q["distances"]},
            {p: tuple(v.flags.values()) for p, v in profiles.items() if v.flags},
        )
    if data["verdict"] is not None:
        v = data["verdict"]
        terms = tuple(_decode_term(t) for t in v["terms"])
        found = tuple(map(_decode_finding, v["findings"]))
        verdict = Verdict(terms, _floats(v["residuals"]), float(v["merit"]), found)
    return Measurement(
        _floats(data["free"]),
        profiles,
        parameters,
        verdict,
        tuple(map(_decode_finding, data["findings"])),
        float(data["noise"]),
        _decode_wavefront(data["wavefront"]),
    )


def _decode_wavefront(data: Mapping[str, Any] | None) -> WavefrontEstimate | None:
    if data is None:
        return None
    lists = {k: tuple(map(float, data[k])) for k in ("parts", "uncertainty")}
    return WavefrontEstimate(**{**data, **lists})


def _encode_finding(finding: Finding) -> dict[str, Any]:
    numbers = {k: [a.value, a.unit, a.u] for k, a in finding.numbers.items()}
    return {
        "code": finding.code, "subject": finding.subject, "numbers": numbers,
        "severity": finding.severity.value, "details": dict(finding.details),
    }  # fmt: skip


def _decode_finding(data: Mapping[str, Any]) -> Finding:
    numbers = {k: Amount(float(v), unit, u) for k, (v, unit, u) in data["numbers"].items()}
    return Finding(
        data["code"], data["subject"], numbers, Severity(data["severity"]), data["details"]
    )


def _encode_term(term: TermValue) -> dict[str, Any]:
    numbers = {k: getattr(term, k) for k in _TERM_NUMBERS}
    return {
        "name": term.name,
        "unit": term.unit,
        **numbers,
        "components": term.components,
        "in_spec": term.in_spec,
    }


def _decode_term(data: Mapping[str, Any]) -> TermValue:
    numbers = {k: float(data[k]) for k in _TERM_NUMBERS}
    return TermValue(
        name=data["name"],
        unit=data["unit"],
        components=_floats(data["components"]),
        in_spec=data["in_spec"],
        **numbers,
    )


def _encode_profile(profile: BeamProfile) -> dict[str, Any]:
    return {
        "moments": profile.moments,
        "covariance": profile.covariance,
        "power": profile.power,
        "power_uncertainty": profile.power_uncertainty,
        "background": profile.background,
        "noise": profile.noise,
        "peak": profile.peak,
        "flags": [[f.kind.value, f.evidence, f.use.value, f.shift] for f in profile.flags.values()],
        "plane": profile.plane,
        "window": profile.window,
        "started": profile.started,
        "view": profile.view,
    }


def _decode_profile(plane: str, data: Mapping[str, Any]) -> BeamProfile:
    # Records of before flags had a shift end with the use.
    flags = [
        Flag(FlagKind(k), text, Use(u), *map(tuple, rest)) for k, text, u, *rest in data["flags"]
    ]
    (a, b), (c, d) = data["view"]
    x, y, along, across, azimuth = (float(w) for w in data["window"])
    return BeamProfile(
        moments=_floats(data["moments"]),
        covariance=_floats(data["covariance"]),
        power=float(data["power"]),
        power_uncertainty=float(data["power_uncertainty"]),
        background=float(data["background"]),
        noise=float(data["noise"]),
        peak=float(data["peak"]),
        flags={str(f.kind): f for f in flags},
        plane=data["plane"] or plane,
        window=(x, y, along, across, azimuth),
        started=None if data["started"] is None else float(data["started"]),
        view=((float(a), float(b)), (float(c), float(d))),
    )


def _floats(values: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array(values, dtype=np.float64)
