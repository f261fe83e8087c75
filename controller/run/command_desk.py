"""Queue of people's commands. Each command has a key and gets one answer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from evenwall.errors import InputError, RecordError
from evenwall.model import Answer, Command
from evenwall.model.orders import Pause, StopTurning
from evenwall.records.records import Records
from evenwall.run.events import Answered, read

_ANSWERS_KEPT = 1000
_AT_ONCE = (StopTurning, Pause)  # harmless when repeated, and must not wait for a disk


def unwritten(answer: Answer) -> Answer:
    """Return the answer for a command that is done but not recorded yet.

    It is lost if the process ends now.
    """
    said = f"{answer.sentence} Not in the record yet, because the disk cannot be written."
    return answer.model_copy(update={"sentence": said, "event_id": None})


class CommandDesk:
    """Takes commands and answers each key once."""

    def __init__(self, records: Records, wake: Callable[[], None]) -> None:
        self._records, self._wake = records, wake
        self.asked: list[Command] = []  # handled at the next look
        self._awaited: dict[str, asyncio.Future[Answer]] = {}  # answers not yet given, by key
        self._answers: dict[str, Answer] = {}  # of this process, by key

    async def command(self, command: Command) -> Answer:
        """Submit a command and return its answer.

        The answer comes once it is recorded, or once the wait for the disk is given up. A key that
        was seen before, in this process or an earlier one, gets its first answer again.
        """
        awaited = self._awaited.get(command.key)
        if awaited is not None:
            return (await asyncio.shield(awaited)).model_copy(update={"repeated": True})
        asked: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._awaited[command.key] = asked
        earlier = self._answers.get(command.key)
        if earlier is None and not isinstance(command.order, _AT_ONCE):
            earlier = await self._answer_of(command.key)
        if earlier is not None:
            self.resolve(command.key, earlier)
            return earlier.model_copy(update={"repeated": True})
        self.asked.append(command)
        self._wake()
        return await asyncio.shield(asked)

    async def _answer_of(self, key: str) -> Answer | None:
        try:
            row = await self._records.read(lambda journal: journal.event_of_key(key))
        except RecordError:
            # It is unknown whether the command was carried out. Repeating it is better than losing
            # it: an unreadable record must not keep a person from the frame.
            return None
        if row is None:
            return None
        try:
            event = read(row)
        except InputError as error:
            said = f"The first answer cannot be read ({error})."
            return Answer(accepted=False, sentence=said, event_id=row.event_id)
        return event.answer(row.event_id) if isinstance(event, Answered) else None

    def resolve(self, key: str, answer: Answer) -> None:
        """Give the answer to the request that waits for it, and keep it for repeats."""
        self._answers[key] = answer
        while len(self._answers) > _ANSWERS_KEPT:
            del self._answers[next(iter(self._answers))]
        future = self._awaited.pop(key, None)
        if future is not None and not future.done():
            future.set_result(answer)

    def reply(self, key: str, answer: Answer, written: bool) -> None:
        """Give the answer. It says so if it could not be recorded."""
        self.resolve(key, answer if written else unwritten(answer))

    def close(self) -> None:
        """Tell the waiting requests that no answer will come."""
        for future in self._awaited.values():
            future.set_exception(RecordError("closing: ask again, with the same key"))
            future.exception()  # nobody may be waiting
