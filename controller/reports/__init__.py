"""Plans and runs on paper, and the plots in them."""
