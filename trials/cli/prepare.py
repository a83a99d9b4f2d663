"""Before the trial: seal the protocol, share out the tanks."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from schemas.errors import AllocationError, UsageError
from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    DryRunOption,
    JsonOption,
    RegisterOption,
    TrialArgument,
    now,
)

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from trials.register.records import SealedTrial
    from trials.register.store import Register


def register(
    protocol: Annotated[
        Path | None, typer.Argument(metavar="PROTOCOL", help="The protocol, a TOML file.")
    ] = None,
    *,
    init_server: Annotated[
        bool,
        typer.Option(
            "--init-server",
            help="Print the SQL with which the owner of a PostgreSQL database makes a register there.",
        ),
    ] = False,
    location: RegisterOption = DEFAULT_REGISTER,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
) -> None:
    """Seal a protocol: every mistake in it is named, then it is fixed under its digest."""
    from analysis.plan_in_words import plan_in_words
    from trials.cli import display
    from trials.protocol_file import digest, load
    from trials.register.store import Register

    if init_server:
        if protocol is not None or dry_run or as_json:
            raise UsageError("--init-server prints a script and does nothing else; give it alone.")
        from trials.register.server_script import script

        display.out(script())
        return
    if protocol is None:
        raise UsageError("name the protocol to be sealed: fairtank register PROTOCOL.")
    loaded = load(protocol)
    sealed_digest = digest(loaded.protocol)
    registered_at, shown = None, ""
    if not dry_run:
        with Register.open(location, create=True) as record:
            registered_at, shown = record.seal(loaded, now()).registered_at, record.shown
    plan = plan_in_words(loaded.protocol)
    if as_json:
        display.json_document(
            {
                "trial": loaded.protocol.trial.id,
                "protocol_digest": sealed_digest,
                "registered_at": registered_at.isoformat() if registered_at else None,
                "analysis_plan": plan,
                "warnings": list(loaded.warnings),
            }
        )
        return
    display.protocol(loaded.protocol, sealed_digest, plan, loaded.warnings)
    if dry_run:
        display.out("Nothing was stored: this was a dry run.")
    else:
        display.out(f"Sealed in {shown}. Next: {_next_step(loaded.protocol)}")


def allocate(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    seed: Annotated[
        str | None, typer.Option("--seed", help="What the source named in the protocol gave, as text.")
    ] = None,
    recorded: Annotated[
        Path | None,
        typer.Option(
            "--recorded",
            metavar="FILE",
            help="Record an allocation made elsewhere: CSV tank,arm (in a crossover tank,period,arm).",
        ),
    ] = None,
    how: Annotated[
        str | None, typer.Option("--how", help="With --recorded: how that allocation was made.")
    ] = None,
    not_random: Annotated[
        bool, typer.Option("--not-random", help="With --recorded: chance did not decide.")
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Derive the stored allocation again and compare.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Share the tanks out over the arms by a draw that anyone can redo, or record one made elsewhere."""
    from trials import allocation as rules
    from trials.cli import display
    from trials.plain_files import content_of
    from trials.register.records import SourceFile
    from trials.register.store import Register

    _refuse_mixed(seed=seed, recorded=recorded, how=how, not_random=not_random, check=check)
    with Register.open(location) as record:
        # The draw rests on the protocol as it was sealed, also after an amendment.
        sealed = record.find(trial, as_sealed=True)
        if check:
            _check(record, sealed, as_json=as_json)
            return
        if recorded is not None:
            allocation = rules.read_recorded(
                recorded, sealed.protocol, how=how or "not stated", random=not not_random
            )
            source = SourceFile(recorded.name, content_of(recorded))
            record.record_allocation(sealed.id, allocation, now(), source)
        else:
            allocation = rules.draw(sealed.protocol, sealed.digest, seed, _baseline(record, sealed))
            record.record_allocation(sealed.id, allocation, now())
    if as_json:
        display.json_document(_document(sealed, allocation))
        return
    display.allocation(sealed, allocation)
    display.out(f"Stored in {record.shown}. Next: fairtank intake {sealed.id} FILE...")


def _refuse_mixed(
    *, seed: str | None, recorded: Path | None, how: str | None, not_random: bool, check: bool
) -> None:
    if recorded is None and (how is not None or not_random):
        raise UsageError(
            "--how and --not-random describe an allocation made elsewhere; give it with --recorded FILE."
        )
    if recorded is not None and seed is not None:
        raise UsageError("--seed draws here and --recorded takes a draw made elsewhere; give one of the two.")
    if check and (seed is not None or recorded is not None):
        raise UsageError(
            "--check looks at the allocation already stored; give it without --seed or --recorded."
        )


def _check(record: Register, sealed: SealedTrial, *, as_json: bool) -> None:
    from trials import allocation as rules
    from trials.cli import display

    allocation = record.allocation(sealed.id)
    if allocation is None:
        raise AllocationError(
            f"{sealed.id} has no allocation yet; draw it with `fairtank allocate {sealed.id}`."
        )
    findings = rules.check(allocation, sealed.protocol, sealed.digest)
    if as_json:
        display.json_document(_document(sealed, allocation) | display.findings_document(findings))
    else:
        display.allocation(sealed, allocation)
        whole = (
            "Derived again from the seed: every tank has the arm that is stored."
            if allocation.drawn
            else "Recorded, not drawn here: every tank and arm in it is the protocol's."
        )
        display.findings(findings, whole)
    if findings:
        raise typer.Exit(NEEDS_A_PERSON)


def _baseline(record: Register, sealed: SealedTrial) -> dict[str, float] | None:
    """What a balance rule is held against; None, and nothing read, where the protocol has none."""
    if sealed.protocol.design.balance is None:
        return None
    from trials.allocation.baseline import baseline_means

    return baseline_means(sealed.protocol, record.readings(sealed.id))


def _document(sealed: SealedTrial, allocation: Allocation) -> dict[str, Any]:
    from dataclasses import asdict

    from trials import allocation as rules

    derived = None
    if allocation.drawn:
        baseline = dict(allocation.balance_values)
        derived = rules.derivation(sealed.protocol, sealed.digest, allocation.seed, baseline)
    return {
        "trial": sealed.id,
        "protocol_digest": sealed.digest,
        "drawn": allocation.drawn,
        "random": allocation.random,
        "how": allocation.how,
        "seed": allocation.seed,
        "attempt": allocation.attempt,
        "balance_values": dict(allocation.balance_values),
        "notes": [*allocation.notes, *rules.remarks(sealed.protocol, allocation)],
        "assignments": [asdict(assignment) for assignment in allocation.assignments],
        "ranked": [asdict(name) for name in derived.names] if derived else [],
        "derivation": [asdict(tank) for tank in derived.tanks] if derived else [],
    }


def _next_step(protocol: Any) -> str:
    if protocol.design.balance is not None:
        return (
            f"fairtank intake {protocol.trial.id} FILE... with the baseline readings, which the draw is held against, "
            f"then fairtank allocate {protocol.trial.id}"
        )
    if protocol.design.seed is not None:
        return f"fairtank allocate {protocol.trial.id}"
    if protocol.design.seed_from is not None:
        return f'fairtank allocate {protocol.trial.id} --seed "..." with {protocol.design.seed_from}'
    return f"fairtank allocate {protocol.trial.id} --recorded FILE"
