"""Sentences for people: what to do now, and why. Trade terms, one thought per sentence."""

from __future__ import annotations

from evenwall.model import SpinChange, Step
from evenwall.planning.advice import STANDING

CAUTIONS = STANDING

CHECKLIST = (
    "Mould clean, dry and coated with release agent; clamps and straps tight.",
    "Mould balanced on the frame; nothing loose.",
    "Hard-wired stop pressed and released once: motor power went off and came back.",
    "Frame standing with the opening up.",
    "Scale, cups and sticks at hand; gloves, goggles and respirator at hand for every coat.",
)

OR_HOLD = "tick it on the phone, or hold the button at the frame when everything is done."

DUE: dict[Step, str] = {
    Step.PREPARE: "Get ready: go through the list.",
    Step.WEIGH: "Weigh part A and part B.",
    Step.MIX: "Mix, scraping the wall and the bottom of the cup.",
    Step.DEGAS: "Degas the mix.",
    Step.POUR: "Pour now.",
    Step.CLOSE_UP: "Close up: plug and clamp the mould, close the guard, press the button at the "
    "frame.",
    Step.SPIN: "Keep turning.",
    Step.PARK: "The coat has gelled: the frame parks with the opening down.",
    Step.REST: "The coat rests.",
    Step.CURE: "The casting cures.",
    Step.DEMOULD: "Open the mould.",
    Step.MEASURE: "Measure the casting: its weight, the rim, some spots.",
    Step.DONE: "Done.",
    Step.ABANDONED: "This run was abandoned.",
}

# Used if a probe goes into the witness cup.
PROBE: dict[Step, str] = {
    Step.MIX: "Leave the probe in the air, so that its offset can be measured.",
    Step.DEGAS: "Leave the probe in the air until the pour.",
    Step.POUR: "Leave {cup_left_g:.0f} g in the cup, and put the probe into the middle of it.",
}

PROTECT = "Gloves, goggles and respirator on."
NEXT_COAT = "Next coat: press the button at the frame, it turns the opening up."

# Short reminders at the step concerned; the whole list is on the first sheet.
VACUUM = "Keep your face away from the vessel."
TO_BEGIN = "Then press the button at the frame."
HARD = "Press on what is left in the cup: it must be hard all through."
POURED_ALREADY = "Already poured? Press 'Poured', close up and start turning."
PROVE_IT = "Would you do it exactly like this again? Then mark the run as proven."

WALL_AS_PROVEN = (
    "Drag the picture to see the wall that this casting gets, turned like the proven run."
)

BUTTONS: dict[Step, str] = {
    Step.PREPARE: "Ready",
    Step.WEIGH: "Parts together",
    Step.MIX: "Mixed",
    Step.DEGAS: "Degassed",
    Step.POUR: "Poured",
    Step.CLOSE_UP: "Start turning",
    Step.REST: "Next coat",
    Step.CURE: "Open the mould",
    Step.DEMOULD: "Out of the mould",
    Step.MEASURE: "Finish",
}

HALTED: dict[str, str] = {
    "guard": "The guard is open: turning was stopped at once.",
    "stop": "Turning was stopped by hand.",
    "pause": "Turning is paused.",
    "fault": "Turning was stopped by a fault.",
    "ask": "The frame waits to turn the opening up.",
    "board": "The frame stopped: the board was reset or lost contact for too long.",
}

# The frame is turning, but the record of its run was lost.
ORPHAN = {
    "sentence": "The frame turns a casting that is missing from the record.",
    "why": "It keeps its last speed. Let it turn until the coat holds; then stop it.",
}

AT_THE_FRAME = "Press the button at the frame: turning begins only where you can see it."

TOUCHED = "You found the coat gelled: the frame parks in a moment."
TAKE_BACK = "Was it a mistake? Press 'Take back' before it parks."

ALERTS: dict[str, str] = {
    "standing_liquid": "The coat is liquid and runs to the bottom while the frame stands still. "
    "With "
    "the guard closed, start it again as soon as you can.",
    "standing_gelling": "The coat is about to gel: start turning again within a minute, or leave "
    "it and inspect the wall afterwards.",
    "standing_gelled": "The coat has gelled: nothing is lost while the frame stands still.",
    "guard_open": "The guard is open, so the frame cannot turn. Close it when you are clear.",
    "late_pour": "The pour is late: the mix thickens, and the wall comes out less even. Pour now "
    "and start turning, or mix a new batch.",
    "late_start": "The resin thickens in the standing mould: close up and start turning, now.",
    "begun_late": "Turning began late. Thicker resin flows less far, so the wall comes out less "
    "even. Inspect it when the coat has set.",
    "tip_out": "Too late for a closed wall: tip the resin out of the mould, now.",
    "set_in_mould": "The resin has gelled in the standing mould, or is about to: leave it there. "
    "It will not form a wall.",
    "lost": "Turning began too late: this coat forms no closed wall. Let it gel, then pour it "
    "again.",
    "mix_gone": "The mix has passed its pot life: do not pour it. Put the cup outside and mix a "
    "new batch.",
    "no_gel": "The coat should have gelled by now. Touch the cup with a stick, and report when it "
    "has gelled. Never reach behind the guard: touch the rim only when the frame stands still.",
    "estimate_old": "The gel estimate is late, because this computer is busy. Touch the cup with "
    "a stick, and report when it has gelled.",
    "gave_up": "The coat did not gel within three times the expected time. The weights may be "
    "wrong, the batch bad or the shop too cold. Turning has ended; read the resin's sheet "
    "before the next coat.",
    "too_hot": "The resin is hotter than the peak on its sheet. If it smokes, leave it and the "
    "room, "
    "and follow the safety data sheet. If not: heat-proof gloves on, and put the cup outdoors on "
    "stone or sand.",
    "probe_lost": "The probe gives no reading: the gel is now predicted from the sheet alone, "
    "with a wider band. Check its plug; touch the cup when it gels.",
    "probe_stuck": "The probe's reading does not change: the gel is now predicted from the sheet, "
    "with a wider band. Is the probe in the cup?",
    "probe_noisy": "The probe is noisy, so the band is wider. Check its cable.",
    "probe_out": "The probe seems to be out of the resin: the gel is now predicted from the sheet.",
    "no_reaction": "The mix does not warm up: check that the probe is in it, and that it has both "
    "parts.",
    "reacts_after_all": "The mix reacts after all, later than expected: the coat gels later.",
    "slow_reaction": "The mix reacts more slowly than its sheet says: the coat gels later.",
    "fast_reaction": "The mix reacts faster than its sheet says: be quick.",
    "off_ratio": "The heat does not match the mix ratio: the weights may be wrong.",
    "cold_room": "It is colder than planned: the coat gels later.",
    "board_lost": "The frame's board does not answer. If the frame is turning, it goes on as "
    "planned. Check the board's cable.",
    "driver_fault": "A motor driver reports a fault. In this order: switch motor power off, look "
    "for a jam, close the guard, switch motor power on, start again at the frame.",
    "board_reset": "The board was reset and no longer knows where the frame stands: before you "
    "press the button, switch motor power off, set the opening up by hand, switch it on.",
    "slip": "An axis lost steps: its angle is uncertain until it passes the index. After this "
    "coat switch motor power off, then look for a slipping belt or a mould out of balance.",
    "grant_over": "The board had no contact for longer than allowed and stopped the frame.",
    "queue_dry": "The board ran out of commands for a moment and kept its last speed.",
    "steps_differ": "The board counted fewer or more steps than commanded: see the record.",
    "record": "The record cannot be written: the disk is full or has failed. The casting goes on, "
    "and its events are kept in memory. Free some space; switch nothing off before this "
    "casting is done.",
    "waiting": "The frame waits for you.",
    "weights_off": "The weights differ from the plan: correct them if you can.",
    "weights_refused": "The weights are too far off: correct them, or weigh again.",
    "window_missed": "The best time for the next coat is over. Key the surface wet as the sheet "
    "says, with mask and goggles on, then go on.",
    "window_passed": "Poured after the best time: this coat bonds less well to the one below it.",
    "early_pour": "Poured before the coat below was ready: it may wrinkle.",
    "standing_long": "The coat stood still while liquid: inspect the wall when the coat has set.",
    "not_up": "The opening is not up yet: close the guard and press the button at the frame.",
}

# Short forms for a finished run: what went wrong, without advice.
TO_DO: dict[str, str] = {
    "tip_out": "Gloves, goggles and respirator on. Open the guard, take the plug out, and pour the "
    "resin outdoors into a flat metal tray on stone or sand, spread thinly: a deep pool gets hot. "
    "Never pour it into a drain. When it is hard, dispose of it as the safety data sheet says. "
    "Mount the "
    "mould with its opening up and press 'Tipped out': the coat is then poured again.",
    "set_in_mould": "Take the plug out: a pool of resin heats itself. If it smokes, leave it and "
    "the room. Press 'It has set: pour this coat again' when it is cold; the wall that is missing "
    "is then poured as a new coat.",
}
# Ways to lose a coat, as shown on the button and in the record.
LOST_BUTTONS: dict[str, str] = {
    "tipped_out": "Tipped out",
    "set": "It has set: pour this coat again",
    "again": "Pour this coat again",
}
LOST_LINES: dict[str, str] = {
    "tipped_out": "The resin was tipped out; the coat is poured again.",
    "set": "The resin set as a pool and formed no wall; the coat is poured again.",
    "again": "The coat was turned too late and formed no wall; it is poured again.",
}
LOST = "Coat {coat} was poured or turned too late and formed no wall."
AFTER_LOST = (
    "Press 'Pour this coat again' to pour the missing wall as a new coat once this one "
    "is firm enough, or go on without it."
)
WALL_AGAIN = (
    "A coat was turned late, stood still or was lost: the wall is being computed again. Until "
    "then the thinnest place is unknown."
)
WALL_LATE = (
    "The coat in the mould is too late for the planned wall: the thinnest place is unknown until "
    "it has turned or is poured again."
)
AS_TURNED = "Computed again from the coats as weighed and turned."
NOT_COMPUTED = "The remaining wall cannot be computed ({why}): inspect it when the coat has set."

TROUBLES: dict[str, str] = {
    "standing_liquid": "The frame stood still while a coat was liquid",
    "standing_gelling": "The frame stood still while a coat was about to gel",
    "guard_open": "The guard was opened while the frame turned",
    "late_pour": "The pour was late",
    "tip_out": "A coat was not turned in time for a closed wall",
    "set_in_mould": "A coat gelled in the standing mould",
    "lost": "A coat was turned too late to form a wall",
    "mix_gone": "A mix passed its pot life before it was poured",
    "no_gel": "A coat had not gelled when it should have",
    "estimate_old": "The gel estimate was late",
    "gave_up": "A coat did not gel in three times the expected time",
    "too_hot": "The cup was hotter than the sheet's peak",
    "probe_lost": "The probe gave no reading",
    "probe_stuck": "The probe's reading did not change",
    "probe_noisy": "The probe was noisy",
    "probe_out": "The probe was out of the resin",
    "no_reaction": "The mix did not warm up",
    "off_ratio": "The heat did not match the mix ratio",
    "board_lost": "The board did not answer",
    "driver_fault": "A motor driver reported a fault",
    "board_reset": "The board was reset",
    "slip": "An axis lost steps",
    "grant_over": "The board had no contact for longer than allowed",
    "record": "The record could not be written",
    "weights_refused": "The weights were refused",
    "early_pour": "A coat was poured before the one below was ready",
    "window_passed": "A coat was poured after the best time for its bond",
    "not_up": "The opening was not up when it should have been",
}

WAIT_TO_POUR = "Do not pour yet: let the mix stand in its cup."
WAIT_FOR_COAT = "The coat below is not ready: a pour now may wrinkle it."
WAIT_TO_THICKEN = "A slightly thicker mix flows less far, and the wall comes out more even."
WAIT_FOR_AGE = "The proven coat was poured later: at that time the film flows the same way again."


# For a coat that did not gel: the usual sentence says that the coat "has gelled".
PARKS_LIQUID = "Turning has ended: the frame parks with the opening down."

# The day's difference from the plan that a change of the spin answers.
WHY_CHANGED: dict[str, str] = {
    "gel_early": "The coat gels earlier than planned.",
    "gel_late": "The coat gels later than planned.",
    "began_late": "Turning began later than planned.",
    "more_resin": "The mould holds more resin than planned.",
    "less_resin": "The mould holds less resin than planned.",
    "other": "This coat differs a little from its plan.",
}
# Buttons of an offered change, and the ways in which an offer ends.
SPIN_BUTTONS = {"take": "Change the spin", "leave": "Leave it as planned"}
OFFER_OVER: dict[str, str] = {
    "left": "The planned spin goes on.",
    "late": "The offered change of the spin was not taken in time: the planned spin goes on.",
    "stopped": "The coat no longer turns as it did: the offered change of its spin is over.",
}
NO_OFFER = "No change of the spin is offered now: the planned spin goes on."
CHANGE_LATE = "The change of the spin came too late for the board: the planned spin goes on."
CHANGE_ENOUGH = "This coat's spin has been changed, or offered a change, often enough."
CHANGE_STOPPED = "The coat does not turn as it should: its spin is not changed."
CHANGE_REFUSED = "The change of the spin is refused, and the planned spin goes on: {why}."


def changed_words(change: SpinChange) -> str:
    """Return why the rest of a spin was changed, and what is expected of it."""
    return (
        f"{WHY_CHANGED[change.why]} The rest of its spin was changed: {_walls(change)} with the "
        f"planned spin{_least(change)}."
    )


def offered_words(change: SpinChange) -> str:
    """Return why a change of the rest of a spin is offered, and what is expected of it."""
    return (
        f"{WHY_CHANGED[change.why]} The rest of its spin can be changed: {_walls(change)} if the "
        f"planned spin goes on{_least(change)}."
    )


def _walls(change: SpinChange) -> str:
    return (
        f"the finished wall is then {change.changed_mm:.2f} mm at its thinnest, instead of "
        f"{change.going_on_mm:.2f} mm"
    )


def _least(change: SpinChange) -> str:
    least = f"{change.gain_low_mm:.2f} mm"
    return "" if least == "0.00 mm" else f"; it gains at least {least} whenever the coat gels"


def not_now(step: Step) -> str:
    return {
        Step.SPIN: "Turning ends by itself when the coat has gelled.",
        Step.PARK: "The frame is parking; wait.",
    }.get(step, "Nothing is due now.")
