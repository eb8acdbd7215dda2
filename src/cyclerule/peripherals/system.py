"""The devices that concern the chip as a whole: clock, power, resets, sleep, watchdog, and the memory that it keeps."""

from dataclasses import dataclass

from cyclerule.machine.chip import Chip
from cyclerule.peripherals.adc import Adc, fit_adc
from cyclerule.peripherals.analog import AnalogInputs
from cyclerule.peripherals.comparator import Comparator, has_comparator
from cyclerule.peripherals.eeprom import Eeprom, has_eeprom
from cyclerule.peripherals.power import Clock, PowerReduction
from cyclerule.peripherals.reset import ResetCauses
from cyclerule.peripherals.self_programming import SelfProgramming, fit_self_programming
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
    self_programming: SelfProgramming | None
    inputs: AnalogInputs
    adc: Adc | None
    comparator: Comparator | None

    def why_still(self, register: str) -> str:
        """Says why a register of these devices does not change by itself; empty where there is no more to say."""
        if self.adc is not None and register == self.adc.register:
            if not self.adc.is_enabled:
                return "the converter is off (ADEN)"
            return "" if self.adc.is_converting else "no conversion has been started (ADSC)"
        if self.comparator is not None and register == "ACSR":
            return "no voltage on the comparator's inputs is to change"
        return ""


def fit_system(chip: Chip) -> SystemDevices:
    """Gives a chip those that its part has."""
    clock, power = Clock(chip), PowerReduction(chip)
    causes, sleep = ResetCauses(chip), SleepControl(chip, power)
    eeprom = Eeprom(chip, clock) if has_eeprom(chip) else None
    inputs = AnalogInputs(chip)
    adc = fit_adc(chip, inputs, power, sleep)
    comparator = Comparator(chip, inputs) if has_comparator(chip) else None
    if adc is not None:
        adc.comparator = comparator
    return SystemDevices(
        clock,
        power,
        causes,
        sleep,
        Watchdog(chip, clock, causes) if has_watchdog(chip) else None,
        eeprom,
        fit_self_programming(chip, clock, eeprom),
        inputs,
        adc,
        comparator,
    )
