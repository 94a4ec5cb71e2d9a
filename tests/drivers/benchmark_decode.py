"""Print the cost of a line, as a ratio to splitting and converting the same text by hand.

Run as ``python tests/drivers/benchmark_decode.py``.
"""

from __future__ import annotations

from timeit import repeat

from acquire.quantities import BUILT_IN
from drivers.assembly import assemble
from drivers.codecs.dialects import encode_columns, encode_labelled, encode_polled
from drivers.profile import find_profile

WATER = dict(zip(BUILT_IN, (7.01, 215.0, 512.0, 256.0, 0.3, 1.0, 21.4), strict=True))


def best_us(work, number: int = 5000) -> float:  # type: ignore[no-untyped-def]
    return min(repeat(work, number=number, repeat=7)) / number * 1e6


def main() -> None:
    cells = encode_columns(WATER).decode().strip()
    floor = best_us(lambda: [float(cell.replace(",", ".")) for cell in cells.split(";")])
    print(f"seven floats split by hand     {floor:6.1f} µs  1.0")
    for name, encode in (
        ("labelled", encode_labelled),
        ("columns", encode_columns),
        ("polled", encode_polled),
    ):
        meter = assemble(find_profile(name))
        framer, line = meter.framer(), bytearray(encode(WATER))
        read = meter.reader.read
        cost = best_us(lambda: read(framer.decode(line)[1].text))  # type: ignore[union-attr]  # noqa: B023
        print(f"{name:10} frame and fields    {cost:6.1f} µs  {cost / floor:.1f}")


if __name__ == "__main__":
    main()
