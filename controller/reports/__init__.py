"""Plans and runs on paper, and the plots in them."""

from evenwall.reports.look import set_look

set_look()
