"""Third-party Modbus at either end of a wire: pymodbus and libmodbus, over TCP and over a serial line.

others.py serve LIBRARY tcp|serial        prints its address or port, and serves unit 17 until it is ended
others.py ask libmodbus HOST PORT         reads and drives a simulated rig; PATH BAUD for a serial port

The served unit has input registers 0..3 = 4000, 555, 0, 100 and ten writable coils.
"""

import asyncio
import ctypes
import ctypes.util
import os
import select
import socket
import sys
import threading
import time
import tty

REGISTERS = [4000, 555, 0, 100]
UNIT = 17
BAUD = 115200


def serial_line():
    """Two serial ports with a line between them: what is written to one is read from the other."""
    ends = [os.openpty(), os.openpty()]
    for master, slave in ends:
        tty.setraw(master)
        tty.setraw(slave)
    masters = [master for master, _ in ends]

    def pump():
        while True:
            for ready in select.select(masters, [], [])[0]:
                other = masters[1 - masters.index(ready)]
                os.write(other, os.read(ready, 512))

    threading.Thread(target=pump, daemon=True).start()
    # The slaves stay open here, so that a client that closes its end does not end the line.
    return [os.ttyname(slave) for _, slave in ends]


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def libmodbus():
    library = ctypes.CDLL(ctypes.util.find_library("modbus") or "libmodbus.so.5", use_errno=True)
    pointer = ctypes.c_void_p
    library.modbus_new_tcp.restype = pointer
    library.modbus_new_tcp.argtypes = [ctypes.c_char_p, ctypes.c_int]
    library.modbus_new_rtu.restype = pointer
    library.modbus_new_rtu.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int]
    library.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
    library.modbus_mapping_new.argtypes = [ctypes.c_int] * 4
    library.modbus_set_slave.argtypes = [pointer, ctypes.c_int]
    library.modbus_connect.argtypes = [pointer]
    library.modbus_close.argtypes = [pointer]
    library.modbus_tcp_listen.argtypes = [pointer, ctypes.c_int]
    library.modbus_tcp_accept.argtypes = [pointer, ctypes.POINTER(ctypes.c_int)]
    library.modbus_receive.argtypes = [pointer, ctypes.c_char_p]
    library.modbus_reply.argtypes = [pointer, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping)]
    library.modbus_read_input_registers.argtypes = [pointer, ctypes.c_int, ctypes.c_int, ctypes.POINTER(ctypes.c_uint16)]
    library.modbus_read_input_bits.argtypes = [pointer, ctypes.c_int, ctypes.c_int, ctypes.POINTER(ctypes.c_uint8)]
    library.modbus_read_bits.argtypes = [pointer, ctypes.c_int, ctypes.c_int, ctypes.POINTER(ctypes.c_uint8)]
    library.modbus_write_bits.argtypes = [pointer, ctypes.c_int, ctypes.c_int, ctypes.POINTER(ctypes.c_uint8)]
    return library


class Mapping(ctypes.Structure):
    """modbus_mapping_t of libmodbus 3.1."""

    _fields_ = [
        (name, ctypes.c_int)
        for name in [
            "nb_bits", "start_bits", "nb_input_bits", "start_input_bits",
            "nb_input_registers", "start_input_registers", "nb_registers", "start_registers",
        ]
    ] + [
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    ]


def serve_libmodbus(wire):
    library = libmodbus()
    mapping = library.modbus_mapping_new(10, 0, 0, len(REGISTERS))
    for index, value in enumerate(REGISTERS):
        mapping.contents.tab_input_registers[index] = value
    query = ctypes.create_string_buffer(260)
    if wire == "tcp":
        port = free_port()
        context = library.modbus_new_tcp(b"127.0.0.1", port)
        listening = ctypes.c_int(library.modbus_tcp_listen(context, 1))
        library.modbus_set_slave(context, UNIT)
        print(f"127.0.0.1:{port}", flush=True)
        library.modbus_tcp_accept(context, ctypes.byref(listening))
    else:
        ours, theirs = serial_line()
        context = library.modbus_new_rtu(ours.encode(), BAUD, b"E", 8, 1)
        library.modbus_set_slave(context, UNIT)
        assert library.modbus_connect(context) == 0
        print(theirs, flush=True)
    while True:
        length = library.modbus_receive(context, query)
        if length > 0:
            library.modbus_reply(context, query, length, mapping)
        elif length < 0 and wire == "tcp":
            library.modbus_close(context)
            library.modbus_tcp_accept(context, ctypes.byref(listening))


async def serve_pymodbus(wire):
    from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
    from pymodbus.framer import FramerType
    from pymodbus.server import ModbusSerialServer, ModbusTcpServer

    device = ModbusDeviceContext(
        co=ModbusSequentialDataBlock(1, [False] * 10),
        ir=ModbusSequentialDataBlock(1, list(REGISTERS)),
    )
    context = ModbusServerContext(devices={UNIT: device}, single=False)
    if wire == "tcp":
        where = ("127.0.0.1", free_port())
        server = ModbusTcpServer(context, address=where)
        print(f"127.0.0.1:{where[1]}", flush=True)
    else:
        ours, theirs = serial_line()
        server = ModbusSerialServer(
            context, framer=FramerType.RTU, port=ours, baudrate=BAUD, parity="N", stopbits=1
        )
        print(theirs, flush=True)
    await server.serve_forever()


def ask_libmodbus(where, number):
    """The demo's rig: coil 0 evacuates, 3 vents, 4 powers; input register 0 is 4..20 mA in microamperes."""
    library = libmodbus()
    if where.startswith("/"):
        context = library.modbus_new_rtu(where.encode(), number, b"E", 8, 1)
    else:
        context = library.modbus_new_tcp(where.encode(), number)
    library.modbus_set_slave(context, 1)
    assert library.modbus_connect(context) == 0

    def level():
        words = (ctypes.c_uint16 * 2)()
        assert library.modbus_read_input_registers(context, 0, 2, words) == 2
        return (words[0] - 4000) / 160.0

    def write(*states):
        bits = (ctypes.c_uint8 * len(states))(*states)
        assert library.modbus_write_bits(context, 0, len(states), bits) == len(states)
        back = (ctypes.c_uint8 * len(states))()
        assert library.modbus_read_bits(context, 0, len(states), back) == len(states)
        assert list(back) == list(states), list(back)

    assert abs(level()) < 1.0
    write(1, 0, 0, 0, 1)
    started = time.monotonic()
    while level() < 75.0:
        assert time.monotonic() - started < 20.0
    inputs = (ctypes.c_uint8 * 14)()
    assert library.modbus_read_input_bits(context, 0, 14, inputs) == 14
    assert list(inputs[0:8]) == [1] * 4 + [0] * 4, list(inputs)
    write(0, 0, 0, 1, 0)
    words = (ctypes.c_uint16 * 1)()
    assert library.modbus_read_input_registers(context, 40, 1, words) == -1
    library.modbus_close(context)
    print("libmodbus agrees")


if __name__ == "__main__":
    if sys.argv[1] == "ask":
        ask_libmodbus(sys.argv[3], int(sys.argv[4]))
    elif sys.argv[2] == "libmodbus":
        serve_libmodbus(sys.argv[3])
    else:
        asyncio.run(serve_pymodbus(sys.argv[3]))
