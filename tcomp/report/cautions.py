"""What can hurt, said with every report."""

CAUTIONS = (
    "A heater left alone can start a fire: give the chamber a thermal cut-out that works without any software, and stay with it.",
    "Dry ice and other cold: gloves and eyes covered, never in a closed container, and only in a room with moving air, since "
    "the gas displaces it. Powered boards collect water when they come out of the cold.",
    "Instruments hold mains inside; transformers and filters stay live when the front switch is off. Unplug, wait, and leave "
    "what you are not licensed for to those who are.",
    "Lithium cells must not be heated or frozen beyond what their maker states: take them out before a sweep.",
    "Follow your local codes; this page replaces none of them.",
    "Beyond its range the table holds the value of its end: it is not a forecast. The curve ages with the crystal: trim its base "
    "against a trusted reference from time to time.",
)
