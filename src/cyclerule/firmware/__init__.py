"""Source to image: what a linked program consists of, and how it is read, built and called."""
