"""The devices that concern the chip as a whole: clock, power, resets, sleep, watchdog, and the memory that it keeps."""

from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.eeprom import Eeprom, has_eeprom
from cyclerule.peripherals.power import Clock, PowerReduction
from cyclerule.peripherals.reset import ResetCauses
from cyclerule.peripherals.sleep import SleepControl
from cyclerule.peripherals.watchdog import Watchdog, has_watchdog


@dataclass(frozen=True)
class SystemDevices:
    """They are made before all others, which ask `power` whether their clocks run."""

    clock: Clock
    power: PowerReduction
    causes: ResetCauses
    sleep: SleepControl
    watchdog: Watchdog | None
    eeprom: Eeprom | None


def fit_system(chip: Chip) -> SystemDevices:
    """Gives a chip those that its part has."""
    clock, power = Clock(chip), PowerReduction(chip)
    causes = ResetCauses(chip)
    return SystemDevices(
        clock,
        power,
        causes,
        SleepControl(chip, power),
        Watchdog(chip, clock, causes) if has_watchdog(chip) else None,
        Eeprom(chip, clock) if has_eeprom(chip) else None,
    )
