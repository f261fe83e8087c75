"""Speed of whole castings, with their faults, in virtual time."""

from __future__ import annotations

from tests.faults.simulation import live, plans

CASTINGS = 20


def main() -> None:
    plans()
    outcomes = [live(seed) for seed in range(CASTINGS)]
    lived_s = sum(outcome.lasted_s for outcome in outcomes)
    cpu_s = sum(outcome.cpu_s for outcome in outcomes)
    print(
        f"castings in virtual time: {cpu_s / CASTINGS:.2f} s of one core each, "
        f"{lived_s / cpu_s:.0f} times faster than life"
    )


if __name__ == "__main__":
    main()
