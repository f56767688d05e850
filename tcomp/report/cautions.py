"""What can hurt, said with every report and every schedule."""

CHAMBER_CAUTIONS = (
    "A heater left alone can start a fire: give the chamber an independent thermal cut-out that works without any software, "
    "and do not leave it unattended.",
    "Cold and dry ice burn the skin and eyes: cover both. The gas of dry ice suffocates in a closed room or car, without "
    "warning: only with moving air, and never in a closed container.",
    "Powered boards collect water when they come out of the cold: let them come back to the room before the chamber is opened.",
    "Instruments hold mains inside; transformers and filters stay energised even when the front switch is off. Unplug, wait, "
    "and leave what you are not licensed for to those who are.",
    "Lithium cells must not be heated or frozen beyond what their maker states: take them out before a sweep.",
    "Follow your local codes; this text replaces none of them.",
)

CAUTIONS = (
    *CHAMBER_CAUTIONS,
    "Beyond its range the table holds the value of its end: it is not a forecast. The curve ages with the crystal: trim its base "
    "against a trusted reference from time to time.",
)
