"""Bodies of the longer commands; ``cli`` alone imports from here, and these from every room."""
