"""A case as the command line tells it: for people and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.refer.bench import Assessment
    from pipeline.refer.bench.declared import Step


def as_json(result: Assessment) -> dict[str, Any]:
    """The posterior, the finding, contradictions and the next steps, for a program."""
    return {
        "posterior": result.posterior,
        "finding": result.finding,
        "stop": result.stop,
        "detail": result.detail,
        "contradictions": list(result.contradictions),
        "next": [
            {
                "step": p.name,
                "question": p.question,
                "vehicle": p.stands,
                "tool": p.step.tool,
                "leads": p.step.leads,
                "state": p.step.state,
                "bits": p.bits,
                "minutes": p.minutes,
                "because": p.because,
                "expected": [{"suspect": s, "p": q, "values": v} for s, q, v in p.expected],
                "when_to_stop": p.step.when_to_stop,
            }
            for p in result.next
        ],
    }


def as_words(result: Assessment, numbers: list[int | None]) -> str:
    """The same for people, each reading with its number where it has one; cautions before any step."""
    from pipeline.core.wording import probability
    from pipeline.refer.bench import bench_declared
    from pipeline.refer.pack.cautions import CAUTIONS, DEFERENCE

    suspects = bench_declared().suspects
    lines = ["Most probable:"]
    lines += [
        f"  {probability(p):>10}  {suspects[name].part}"
        for name, p in list(result.posterior.items())[:4]
        if p >= 0.005
    ]
    lines += [f"  {result.detail}"] if result.detail else []
    lines += [f"! {line}" for line in result.contradictions]
    for number, one in zip(numbers, result.meanings, strict=True):
        lines.append(f"{f'{number}. ' if number else '- '}{one.shown}: {one.means}")
    if result.stop:
        lines.append(
            result.stop + (f" Finding to enter: {result.finding}." if result.finding else "")
        )
    elif result.next:
        step = result.next[0]
        lines += ["", f"Next: {step.question}"] + ([f"  {step.because}"] if step.because else [])
        lines += [
            f"  vehicle: {step.stands}",
            f"  with: {step.step.tool}",
            f"  leads: {step.step.leads}",
        ]
        lines += [f"  if {suspects[name].part}: {values}" for name, _, values in step.expected]
        lines += [
            f"  when to stop: {step.step.when_to_stop}",
            f"  then: {_how_to_enter(step.step)}",
            "",
            "Before anyone measures:",
            *(f"  - {c}" for c in (*CAUTIONS, *DEFERENCE)),
        ]
    return "\n".join(lines)


def _how_to_enter(step: Step) -> str:
    """The option that takes what the step finds; an answer's words are its only values."""
    from pipeline.refer.bench import bench_declared

    answer = bench_declared().answers.get(step.kind)
    if answer:
        return f"--answer {step.kind}=" + "|".join(answer.answers)
    state = f"@{step.state}" if step.state else ""
    over = " (OL where over range)" if step.kind.endswith("_ohm") else ""
    return f"--reading {step.kind}{state}=VALUE{over}"
