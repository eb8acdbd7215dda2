"""The compiling engine: regions of AVR code lowered to LLVM, whole functions at a time."""
