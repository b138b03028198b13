"""Who answers cases: the model, the RTL clock by clock, the gates; and how two are compared."""
