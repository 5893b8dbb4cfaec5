#!/usr/bin/python3
"""A Modbus RTU slave on pymodbus 3.0.0 that serves the map of README.md.

Arguments: terminal, baud, unit.
"""
import asyncio
import struct
import sys

from pymodbus.datastore import (
    ModbusSequentialDataBlock,
    ModbusServerContext,
    ModbusSlaveContext,
    ModbusSparseDataBlock,
)
from pymodbus.server import StartAsyncSerialServer
from pymodbus.transaction import ModbusRtuFramer


def holding():
    """Return the holding registers."""
    words = [1000 + i for i in range(110)]
    words[0] = 2301
    words[1] = -125 & 0xFFFF
    high, low = struct.unpack(">HH", struct.pack(">f", 50.02))
    words[2:6] = [high, low, low, high]
    words[6:10] = [0x1234, 0x5678, 0x5678, 0x1234]
    return dict(enumerate(words)) | sunspec()


def sunspec():
    """Return a meter at 40000: the marker, a common model, model 203, the end."""
    common = [1, 66] + [0x2020] * 66
    meter = [203, 105] + [0x8000] * 105
    meter[3:7] = [6210, 6190, 6200, -2 & 0xFFFF]  # 62.10 A ...
    meter[8:16] = [2301, 2299, 2302, 3986, 3984, 3985, 3987, -1 & 0xFFFF]  # 230.1 V ...
    meter[16:18] = [5002, -2 & 0xFFFF]  # 50.02 Hz
    meter[18:23] = [3420, 1141, 1138, 1141, 1]  # 34.2 kW
    words = [0x5375, 0x6E53, *common, *meter, 0xFFFF, 0]
    return {40000 + i: w for i, w in enumerate(words)}


async def main():
    """Serve until killed."""
    terminal, baud, unit = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    # zero_mode: without it every address is one too high.
    slave = ModbusSlaveContext(
        co=ModbusSequentialDataBlock(0, [int(i % 3 == 0) for i in range(20)]),
        di=ModbusSequentialDataBlock(0, [i % 2 for i in range(20)]),
        hr=ModbusSparseDataBlock(holding()),
        ir=ModbusSequentialDataBlock(0, [5000 + i for i in range(110)]),
        zero_mode=True,
    )
    context = ModbusServerContext(slaves={unit: slave}, single=False)
    print("ready", flush=True)
    # The framer is named because the function's own default is ASCII. A
    # pseudo-terminal keeps no parity, and pyserial insists: none is set.
    await StartAsyncSerialServer(
        context=context,
        framer=ModbusRtuFramer,
        port=terminal,
        baudrate=baud,
        ignore_missing_slaves=True,
    )


if __name__ == "__main__":
    asyncio.run(main())
