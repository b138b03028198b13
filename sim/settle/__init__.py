"""The ALU's gates in time, a gate delay a step: one operation, or every input at once."""
