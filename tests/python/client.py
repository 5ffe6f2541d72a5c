"""Reads and drives a simulated rig with pymodbus: HOST PORT, or PATH BAUD of a serial port. Exits 0 if all is well."""

import sys
import time

from pymodbus.client import ModbusSerialClient, ModbusTcpClient

EVACUATE, VENT, POWER = 0, 3, 4


def level(client):
    answer = client.read_input_registers(0, count=2, device_id=1)
    assert not answer.isError(), answer
    # 4000 counts are 4 mA and ambient, 20000 are 20 mA and 100 kPa vacuum.
    return (answer.registers[0] - 4000) / 160.0


def main():
    where, number = sys.argv[1], int(sys.argv[2])
    if where.startswith("/"):
        # A pseudo-terminal has no parity bit; the C library reports an error if one is set.
        client = ModbusSerialClient(where, baudrate=number, parity="N", stopbits=1)
    else:
        client = ModbusTcpClient(where, port=number)
    assert client.connect()
    assert abs(level(client)) < 1.0, level(client)
    assert not client.write_coils(0, [True, False, False, False, True], device_id=1).isError()
    coils = client.read_coils(0, count=5, device_id=1).bits[:5]
    assert coils == [True, False, False, False, True], coils
    started = time.monotonic()
    while level(client) < 75.0:
        assert time.monotonic() - started < 20.0, level(client)
        time.sleep(0.02)
    inputs = client.read_discrete_inputs(0, count=14, device_id=1).bits
    assert inputs[0:4] == [True] * 4, inputs
    assert inputs[4:8] == [False] * 4, inputs
    assert not client.write_coil(EVACUATE, False, device_id=1).isError()
    assert not client.write_coil(VENT, True, device_id=1).isError()
    time.sleep(3.0)
    # A module with a loss-of-master time has switched to its safe values by now: no power, so no output.
    assert not any(client.read_discrete_inputs(0, count=4, device_id=1).bits[:4])
    assert client.read_coils(0, count=5, device_id=1).bits[:5] == [False, False, False, True, False]
    assert level(client) < 5.0, level(client)
    refused = client.read_input_registers(40, count=1, device_id=1)
    assert refused.isError() and refused.exception_code == 2, refused
    refused = client.write_coils(4, [True, True], device_id=1)
    assert refused.isError() and refused.exception_code == 2, refused
    client.close()
    print("pymodbus agrees")


if __name__ == "__main__":
    main()
