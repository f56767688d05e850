"""The processors that the generated C is run on, emulated: their names alone, which take no time to load."""

TARGETS = ("cortex-m0plus", "cortex-m4", "rv32imc", "avr")
