"""Hours of the chip's own binary at high rates, and a hundred million hostile bytes."""

from __future__ import annotations

import random
import subprocess
import tempfile
from pathlib import Path

from evenwall_bridge.build import CORE, SOURCE, compiler
from evenwall_bridge.clock import LoopClock, run_virtual
from evenwall_bridge.contract import Mode, Ramp
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import predict_steps
from tests.firmware.chip import fast_frame, flood, until
from tests.firmware.simulator import ChipBoard

FUZZ = Path(__file__).parents[1] / "firmware" / "fuzz.c"


def chip_hour(seed: int) -> None:
    """An hour of random ramps up to 5000 steps/s, with the link flooded now and then."""
    dice = random.Random(seed)
    limits = fast_frame(5_000)
    top_rpm = limits.rate_limit_rpm
    ramps = [
        Ramp(
            dice.uniform(0.3, 4.0), dice.uniform(-top_rpm, top_rpm), dice.uniform(-top_rpm, top_rpm)
        )
        for _ in range(1_700)
    ]
    ramps.append(Ramp(1.0, 0.0, 0.0))

    async def work() -> None:
        clock = LoopClock()
        board = ChipBoard(clock)
        rig = HostRig(clock, limits, board=board)
        await rig.open()
        await rig.enable(grant_s=600.0)
        for at in range(0, len(ramps), 40):
            await rig.queue(ramps[at : at + 40])
            if dice.random() < 0.2:
                board.feed(flood(rig, 0.5))
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        exact = board.steps() == predict_steps(ramps, limits)
        print(f"chip, seed {seed}: {board.steps()} steps, exact: {exact}, late {state.steps_late}")
        await rig.close()
        if not exact or state.steps_late or state.faults:
            raise SystemExit(1)

    run_virtual(work())


def fuzz(frames: int, seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "fuzz"
        sources = [str(FUZZ), *(str(SOURCE / name) for name in CORE)]
        flags = ["-std=c99", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
        command = [compiler("gcc", "gcc"), *flags, f"-I{SOURCE / 'core'}", *sources]
        subprocess.run([*command, "-o", str(program)], check=True)
        subprocess.run([str(program), str(frames), str(seed)], check=True)


def main() -> None:
    fuzz(frames=10_000_000, seed=random.randrange(2**32))
    for seed in range(3):
        chip_hour(seed)


if __name__ == "__main__":
    main()
