"""``sidekeep gauge``: the level, live, with advice."""

from __future__ import annotations

import argparse

from sidekeep.cli.verbs.inputs import add_input_options


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    add_input_options(parser)
    parser.add_argument(
        "--seconds",
        type=_seconds,
        metavar="S",
        help="stop after this many seconds (default: Ctrl+C stops it)",
    )
    parser.add_argument(
        "--peak",
        type=_level,
        metavar="DBFS",
        help="aim for peaks up to this, also while recording (remembered; at first -6, or -5 at 16 bits)",
    )
    parser.add_argument("--json", action="store_true", help="print readings as JSON, one per line")


def _seconds(text: str) -> float:
    return _between(text, 1e-3, 1e7, "a number of seconds above 0")


def _level(text: str) -> float:
    return _between(text, -100.0, 0.0, "a level between -100 and 0 dBFS")


def _between(text: str, low: float, high: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:  # nan fails too
        raise argparse.ArgumentTypeError(f"{text!r} must be {what}")
    return value


def run(options: argparse.Namespace) -> int:
    """Watch until Ctrl+C or the given time."""
    import json
    from functools import partial

    from sidekeep.cli.terminal.output import say
    from sidekeep.cli.terminal.screen import level_text, live_page
    from sidekeep.cli.texts.gauge import advice_text, gauge_page, reading_object
    from sidekeep.cli.texts.news import news_text
    from sidekeep.model.news import News
    from sidekeep.service.gauge import watch_level
    from sidekeep.service.inputs import notes_of, pick_input, recorder_settings
    from sidekeep.service.wishes import keep_wishes

    sound_input = pick_input(options.input)
    settings = recorder_settings(sound_input, rate_hz=options.rate, bits=options.bits)
    if options.peak is not None:
        keep_wishes(peak_dbfs=options.peak)
    said: list[News] = []

    def tell(news: News) -> None:
        said.append(news)
        if options.json:
            print(json.dumps({**news.as_object(), "message": news_text(news)}), flush=True)

    for news in notes_of(sound_input):
        tell(news)
    readings = watch_level(settings, tell=tell)
    last = None
    try:
        with live_page(quiet=options.json) as show:
            for reading in readings:
                last = reading
                if options.json:
                    print(json.dumps(reading_object(reading)), flush=True)
                elif show is not None:
                    notes = [news_text(news) for news in said[-3:]]
                    head = (sound_input.name, settings.rate_hz, settings.bits)
                    show(partial(gauge_page, reading, head, notes))
                if options.seconds is not None and reading.time_s >= options.seconds:
                    break
    except KeyboardInterrupt:
        pass
    finally:
        readings.close()
    if not options.json:
        for news in said:
            say(news_text(news))
        if last is not None:
            say(f"highest {level_text(last.highest_dbfs)}; {advice_text(last.advice)}")
    wrong = any(news.severity == "act" for news in said)
    return 1 if wrong or (last is not None and last.clipped_frames) else 0
