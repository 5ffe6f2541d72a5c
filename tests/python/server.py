"""A rig with one device behind pymodbus: prints its port and serves until it is ended.

With `--registers` everything is in holding registers: the reference in 0, switch and plug as bits of 10, the outputs as bits of 20.
`--words` is the same, but each output is a register from 20 on, which 255 turns on and 0 off. A request with a function other than 03, 06
and 43 then ends the program, and so does another word.

First-order evacuation to 90 kPa, first-order venting, one switch: on at 60 kPa, off at 55 kPa. It uses nothing of the project
under test.
"""

import asyncio
import os
import socket
import sys
import time

from pymodbus.datastore import ModbusServerContext, ModbusSparseDataBlock
from pymodbus.server import ModbusTcpServer

try:
    from pymodbus.datastore import ModbusDeviceContext as Context

    WORD = "devices"
except ImportError:
    from pymodbus.datastore import ModbusSlaveContext as Context

    WORD = "slaves"

COILS, INPUTS, REGISTERS = 1, 2, 4
EVACUATE, BLEED, VENT, POWER = 0, 2, 3, 4


class Rig:
    """The vacuum in kilopascal, computed up to the time of each read."""

    def __init__(self):
        self.vacuum, self.on, self.at = 0.0, False, time.monotonic()
        self.coils = [False, False, False, True, False]

    def now(self):
        now = time.monotonic()
        while self.at < now:
            step = min(0.001, now - self.at)
            self.at += step
            if self.coils[EVACUATE]:
                self.vacuum += (90.0 - self.vacuum) * step / 2.0
            if self.coils[BLEED]:
                self.vacuum -= self.vacuum * step / 4.0
            if self.coils[VENT]:
                self.vacuum -= self.vacuum * step / 0.3
            if self.vacuum >= 60.0:
                self.on = True
            elif self.vacuum <= 55.0:
                self.on = False
        return self


RIG = Rig()


class Coils(ModbusSparseDataBlock):
    def getValues(self, address, count=1):
        rig = RIG.now()
        return [rig.coils[address - 1 + i] for i in range(count)]

    def setValues(self, address, values, use_as_default=False):
        rig = RIG.now()
        values = values if isinstance(values, list) else [values]
        for offset, value in enumerate(values):
            rig.coils[address - 1 + offset] = bool(value)


class Inputs(ModbusSparseDataBlock):
    def getValues(self, address, count=1):
        rig = RIG.now()
        return [rig.on and rig.coils[POWER], True][address - 1 : address - 1 + count]


class Registers(ModbusSparseDataBlock):
    def getValues(self, address, count=1):
        rig = RIG.now()
        return [round(4000 + rig.vacuum * 160.0)] * count


class AllRegisters(ModbusSparseDataBlock):
    def getValues(self, address, count=1):
        rig = RIG.now()
        bits = int(rig.on and rig.coils[POWER]) | 2
        outputs = sum(int(state) << index for index, state in enumerate(rig.coils))
        at = {0: round(4000 + rig.vacuum * 160.0), 10: bits, 20: outputs}
        return [at[address - 1 + offset] for offset in range(count)]

    def setValues(self, address, values, use_as_default=False):
        rig = RIG.now()
        rig.coils = [bool(values[0] >> index & 1) for index in range(5)]


class Words(AllRegisters):
    def getValues(self, address, count=1):
        if address - 1 < 20:
            return super().getValues(address, count)
        rig = RIG.now()
        return [255 * rig.coils[address - 21 + offset] for offset in range(count)]

    def setValues(self, address, values, use_as_default=False):
        rig = RIG.now()
        values = values if isinstance(values, list) else [values]
        if any(value not in (0, 255) for value in values):
            os._exit(1)
        for offset, value in enumerate(values):
            rig.coils[address - 21 + offset] = value == 255


def few_functions(sending, pdu):
    if not sending and pdu.function_code not in (3, 6, 43):
        os._exit(1)
    return pdu


async def main():
    words = "--words" in sys.argv
    registers = words or "--registers" in sys.argv
    holding = Words({1 + at: 0 for at in [0, 10, *range(20, 25)]}) if words else AllRegisters({1: 0, 11: 0, 21: 0})
    device = Context(
        co=Coils({i: False for i in range(1, 6)}),
        di=Inputs({1: False, 2: True}),
        ir=Registers({1: 0}),
        hr=holding if registers else ModbusSparseDataBlock({1: 0}),
    )
    context = ModbusServerContext(**{WORD: {1: device}, "single": False})
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    trace = {"trace_pdu": few_functions} if registers else {}
    server = ModbusTcpServer(context, address=("127.0.0.1", port), **trace)
    print(port, flush=True)
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
