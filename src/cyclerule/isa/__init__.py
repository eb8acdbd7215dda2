"""What an instruction is: encoding, meaning, flags and cycles, each written once.

Reading order: `operations` (the words an instruction may use), `record` (what is known of one),
one group such as `bits`, then `table`.
"""
