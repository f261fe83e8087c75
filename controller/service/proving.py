"""Proof of a run: compare the measured run with its plan and close it for good."""

from __future__ import annotations

import json

from evenwall.errors import EvenwallError, said_outside
from evenwall.history.lessons import lessons
from evenwall.history.proof import assessment, make_proof, proven
from evenwall.history.recorded import Proof, Recorded
from evenwall.history.spots import spot_spans
from evenwall.model import Answer, Assessment, Command, Measured
from evenwall.model.orders import Prove, given
from evenwall.numerics.gel.memory import ResinMemory, from_data
from evenwall.records.journal import Journal
from evenwall.run.command_desk import unwritten
from evenwall.run.gel_monitor import resin_note
from evenwall.service.port import RunPort
from evenwall.service.walls import Walls

PROVEN = "Proven: the run can no longer change and can be cast again."


class Proving:
    """Assesses recorded runs and proves them."""

    def __init__(self, run: RunPort, walls: Walls, memories: dict[str, ResinMemory]) -> None:
        """Set up the proofs. memories: of resins, shared with the gel monitors."""
        self._run, self._walls, self._memories = run, walls, memories

    async def assess(self, run_id: str, measured: Measured | None) -> Assessment:
        """Compare a run with its plan, for a person to see before it is proven.

        Each measured spot is compared with the wall computed at its place. Raises InputError if the
        run cannot be proven at all.
        """

        def work(journal: Journal) -> tuple[Recorded, Assessment]:
            run = Recorded.read(journal, run_id)
            return run, assessment(run, measured)

        run, found = await self._run.records.read(work)
        if not found.measured.spots or run.plan.wall.min_mm is None:
            return found
        try:
            mesh = await self._walls.of(None, run_id)
        except EvenwallError:
            return found  # it notes that the places could not be computed
        return found if mesh is None else assessment(run, measured, spot_spans(mesh))

    async def prove(self, command: Command, order: Prove) -> Answer:
        """Prove a run, and keep its results for its mould and resin."""
        run_id, records, state = order.run_id, self._run.records, self._run.state
        earlier = await records.read(lambda journal: journal.event_of_key(command.key))
        if earlier is not None:
            return Answer(accepted=True, sentence=PROVEN, event_id=earlier.event_id, repeated=True)
        if state is not None and not state.over:
            return Answer(accepted=False, sentence="A casting is under way: finish it first.")

        def work(journal: Journal) -> tuple[Recorded, Proof, dict[str, str]]:
            run = Recorded.read(journal, run_id)
            proof = make_proof(run, found, order.reason)
            return run, proof, lessons(journal, run, proof)

        try:
            measured = Measured.model_validate(kept) if (kept := given(order)) else None
            found = await self.assess(run_id, measured)
            run, proof, taught = await records.read(work)
        except EvenwallError as error:
            return Answer(accepted=False, sentence=said_outside(error))
        if not order.confirmed:
            return Answer(accepted=False, sentence=asked_to_prove(found), confirm=True)
        for name, text in taught.items():
            records.keep(name, text)
        note = resin_note(run.plan)
        self._memories[note] = from_data(json.loads(taught[note]))
        row = self._run.write_event(run_id, proven(proof), command.key)
        written = await records.flush()
        said = " ".join((PROVEN, *proof.sentences))
        answer = Answer(accepted=True, sentence=said, event_id=row.event_id)
        return answer if written else unwritten(answer)


def asked_to_prove(found: Assessment) -> str:
    """Return the question to confirm a proof, for a person who has seen the assessment."""
    against, wrong, unknown = len(found.against), len(found.troubles), len(found.missing)
    said = "Nothing measured contradicts the plan"
    if against:
        said = f"{against} thing{'s contradict' if against > 1 else ' contradicts'} the plan, and "
        said += "your reason goes into the record"
    return (
        f"{said}; {wrong} went wrong, {unknown} not known. Prove this run? It cannot be changed "
        "afterwards."
    )
