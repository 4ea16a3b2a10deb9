"""``python -m sample_generators``: make invented takes with known truth."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from sample_generators import arguments
from sample_generators.errors import SampleError
from sample_generators.night import write_night
from sample_generators.scenarios import NAMES, find_subject
from sample_generators.take import Take, make_take
from sample_generators.truth import TrueEvent
from sample_generators.write import FORMATS, truth_path, write_take

EXAMPLES = """examples:
  python -m sample_generators storm OUT.mkv --frames 4000 --bit-depth 12 --flicker 100:0.2
  python -m sample_generators release OUT.mp4 --event-at 500 --sway 0.5 --counter
  python -m sample_generators night FOLDER --takes 6 --seed 1
"""


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    formats = "\n".join(f"  {name:8} {what}" for name, what in FORMATS.items())
    parser = argparse.ArgumentParser(
        prog="python -m sample_generators",
        description="Makes invented takes with known truth, rendered from physics.",
        epilog=f"formats:\n{formats}\n\n{EXAMPLES}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="SCENARIO")
    for name in NAMES:
        summary = find_subject(name).summary
        command = commands.add_parser(name, help=summary, description=summary)
        command.add_argument("out", type=Path, help="a new file, or folder for stills")
        arguments.add_common_options(command)
        arguments.add_take_options(command)
    night = commands.add_parser("night", help="a folder of mixed takes")
    night.add_argument("out", type=Path, help="the folder")
    night.add_argument("--takes", type=int, default=6, metavar="N")
    arguments.add_common_options(night)
    return parser


def _describe_event(event: TrueEvent) -> str:
    seen = "too faint to see" if event.visible_from is None else f"seen from {event.visible_from}"
    frames = f"frames {event.onset} to {event.end}"
    return f"  {event.kind}: {frames}, {seen}, visibility {event.visibility:.1f}"


def _describe(path: Path, take: Take) -> str:
    rows, cols = take.shape
    lines = [
        f"{path}: invented {take.name} take, {len(take)} frames, {cols}x{rows}, "
        f"{take.bit_depth} bits, capture rate {take.capture_rate} frames/s"
    ]
    lines += [_describe_event(event) for event in take.truth.events]
    lines.append(f"  truth: {truth_path(path)}")
    return "\n".join(lines)


def _cautions(takes: Sequence[Take]) -> list[str]:
    return list(dict.fromkeys(take.subject.caution for take in takes if take.subject.caution))


def _run(args: argparse.Namespace) -> None:
    made: list[Take] = []
    if args.command == "night":
        settings, quality = arguments.common_settings(args), arguments.quality(args)
        for path, take in write_night(args.out, args.takes, args.seed, settings, quality):
            print(_describe(path, take), flush=True)
            made.append(take)
    else:
        take = make_take(args.command, arguments.take_settings(args))
        write_take(take, args.out, form=args.format, quality=arguments.quality(args))
        print(_describe(args.out, take))
        made.append(take)
    for caution in _cautions(made):
        print(f"Caution with the real thing: {caution}")


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status."""
    args = make_parser().parse_args(words)
    try:
        _run(args)
    except SampleError as error:
        print(f"error: {error}", file=sys.stderr)
        return 2
    except OSError as error:
        print(f"error: {args.out}: {error.strerror or error}", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
