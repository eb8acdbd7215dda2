"""What executes: engines that all give the same cycles, state and order of I/O."""
