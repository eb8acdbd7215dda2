"""One core of each family, with everything that the family's instruction set has."""

from cyclerule.isa.families import ALL_FEATURES, Core

_AVR = ALL_FEATURES - {"MUL", "MOVW", "LPMX", "ELPMX", "SPM", "BREAK", "EIJMP_EICALL", "RMW"}

CORES = {
    "AVR": Core("AVR", _AVR),
    "AVRe": Core("AVRe", ALL_FEATURES - {"MUL", "ELPM", "ELPMX", "EIJMP_EICALL", "RMW"}),
    "AVRe+": Core("AVRe+", ALL_FEATURES - {"RMW"}, 3),
    "AVRxm": Core("AVRxm", ALL_FEATURES, 3),
    "AVRxt": Core("AVRxt", ALL_FEATURES - {"RMW"}, 3),
    "AVRrc": Core("AVRrc", frozenset({"BREAK", "IJMP_ICALL", "RAM"})),
}
