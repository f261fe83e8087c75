"""Pictures of a wall: views coloured by thickness, a histogram, the rim; PLY and HTML to turn."""
