"""What a running chip is: state, I/O bus, events to come, interrupts."""
