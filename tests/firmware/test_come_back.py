"""A board that does not answer is asked again by one caller, at a constant pace, without end."""

from __future__ import annotations

import asyncio

from evenwall_bridge.clock import LoopClock, run_virtual
from evenwall_bridge.contract import LinkLost
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import FrameLimits
from evenwall_bridge.sim_board import VirtualBoard

DEAF_S = 120.0
# A try takes the handshake's deadline of 3 s and the half second before it, or a little less.
MOST_TRIES = 60


class Counting(HostRig):
    """Counts the attempts to connect, and can be set not to answer."""

    tries = 0
    deaf = False

    def _connect(self) -> None:
        self.tries += 1
        super()._connect()

    def _pump(self) -> None:
        if self.deaf:
            self.pins.read()
        else:
            super()._pump()


def test_a_deaf_board_is_asked_by_one_and_found_again() -> None:
    async def scenario() -> None:
        clock = LoopClock()
        rig = Counting(clock, FrameLimits(), VirtualBoard(clock))
        await rig.open()
        tasks = len(asyncio.all_tasks())
        rig.deaf, rig.tries = True, 0
        rig._end(LinkLost("unplugged"))
        await clock.sleep(DEAF_S)
        assert 10 < rig.tries < MOST_TRIES
        assert len(asyncio.all_tasks()) <= tasks + 2
        rig.deaf = False
        await clock.sleep(10.0)
        assert clock.now_s() - rig.state.at_s < 1.0
        await rig.close()

    run_virtual(scenario())
