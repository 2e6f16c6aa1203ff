"""Synthetic traces of a pilot: made from the circuit's formulas, not from the code under test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Made:
    """What a trace is made of; volts, seconds."""

    high_v: float = 9.0
    low_v: float = -12.0
    duty_pct: float = 26.67
    frequency_hz: float = 1000.0
    rate_hz: float = 1e6
    seconds: float = 0.06
    tau_s: float = 2e-6
    ring_v: float = 0.0
    noise_v: float = 0.0
    offset_v: float = 0.0
    drift_v: float = 0.0
    phase: float = 0.3
    seed: int = 1


def trace(made: Made) -> tuple[np.ndarray, np.ndarray]:
    """Time and volts: a square wave through one RC, ringing after each edge, noise, offset and a slow drift."""
    t = np.arange(round(made.seconds * made.rate_hz)) / made.rate_hz
    period, duty = 1 / made.frequency_hz, made.duty_pct / 100
    at = np.mod(t / period + made.phase, 1.0)
    since_rise, since_fall = at * period, (at - duty) * period
    up = at < duty
    swing = made.high_v - made.low_v
    since = np.where(up, since_rise, since_fall)
    target, other = np.where(up, made.high_v, made.low_v), np.where(up, made.low_v, made.high_v)
    v = target + (other - target) * np.exp(-since / max(made.tau_s, 1e-9))
    v = v + np.where(up, 1, -1) * made.ring_v * swing / 21 * np.exp(-since / 4e-6) * np.sin(
        2 * np.pi * 4e5 * since
    )
    rng = np.random.default_rng(made.seed)
    v = v + rng.normal(0, made.noise_v, t.size) if made.noise_v else v
    return t, v + made.offset_v + made.drift_v * (t / t[-1] - 0.5)


def as_csv(
    t: np.ndarray, v: np.ndarray, header: str = "Time (s),CH1 (V)\n", form: str = "{:.8e},{:.5f}\n"
) -> str:
    """An export."""
    return header + "".join(form.format(a, b) for a, b in zip(t, v, strict=True))
