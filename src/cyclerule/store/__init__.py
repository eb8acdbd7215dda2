"""What is kept from one command to the next, in the user's own folder for data."""
