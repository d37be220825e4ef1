"""The pure core: a set context and a policy in, a prescription with its reasons out. No clock, no I/O."""
