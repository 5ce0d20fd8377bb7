"""``sidekeep gauge``: the level, live, with advice."""

from __future__ import annotations

import argparse

from sidekeep.cli.inputs_verb import add_input_options


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    add_input_options(parser)
    parser.add_argument("--seconds", type=float, metavar="S", help="stop by itself after so long")
    parser.add_argument(
        "--peak", type=float, metavar="DBFS", help="aim for peaks up to this (default: -6; -5 at 16 bits)"
    )
    parser.add_argument("--json", action="store_true", help="one reading per line for machines")


def run(options: argparse.Namespace) -> int:
    """Watch until Ctrl+C or the given time."""
    import json

    from sidekeep.cli.gauge_text import gauge_panel, live_panel, reading_object
    from sidekeep.flow.gauge import GaugeSettings
    from sidekeep.service.gauge import watch_level
    from sidekeep.service.inputs import pick_input, recorder_settings

    sound_input = pick_input(options.input)
    settings = recorder_settings(sound_input, rate_hz=options.rate, bits=options.bits)
    aim = None
    if options.peak is not None:
        aim = GaugeSettings(highest_peak_dbfs=options.peak, lowest_peak_dbfs=options.peak - 6.0)
    readings = watch_level(settings, gauge_settings=aim)
    last = None
    try:
        with live_panel(quiet=options.json) as show:
            for reading in readings:
                last = reading
                if options.json:
                    print(json.dumps(reading_object(reading)), flush=True)
                else:
                    show(gauge_panel(reading, sound_input.name, settings.rate_hz, settings.bits))
                if options.seconds is not None and reading.time_s >= options.seconds:
                    break
    except KeyboardInterrupt:
        pass
    finally:
        readings.close()
    if last is not None and not options.json:
        print(f"highest {last.highest_dbfs:.1f} dBFS; {last.advice}")
    return 0 if last is None or not last.clipped_frames else 1
