"""Chambers like the shipped shelf, drawn at random, and how a benchmark asks for some of them."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from random import Random

from controller.settings.shipped import shipped_config


def parser_of(doc: str, *, chambers: int) -> argparse.ArgumentParser:
    """Return what reads which chambers are asked for; *chambers* of them by default."""
    parser = argparse.ArgumentParser(description=doc.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=chambers)
    parser.add_argument("--from", type=int, default=0, dest="first", help="number of the first")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    return parser


def numbers(asked: argparse.Namespace) -> range:
    """Return the numbers of the chambers that are asked for."""
    return range(asked.first, asked.first + asked.chambers)


def config_text(random: Random) -> str:
    """Return a configuration of a chamber drawn at random."""
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    uniform = random.uniform
    in_water = random.randint(3, 6)
    changes = (
        ("volume_m3 = 0.35", f"volume_m3 = {uniform(0.25, 0.8):.2f}"),
        ("wall_area_m2 = 3.0", f"wall_area_m2 = {uniform(2.6, 5.0):.2f}"),
        ("wall_u_w_m2k = 0.51", f"wall_u_w_m2k = {uniform(0.45, 1.2):.2f}"),
        ("crop_kg = 4.0", f"crop_kg = {uniform(2.0, 8.0):.1f}"),
        ("ua_air_w_k = 6.0", f"ua_air_w_k = {uniform(8.0, 22.0):.1f}"),
        ("air_kg_s = 0.010", f"air_kg_s = {uniform(0.010, 0.02):.4f}"),
        ("litres = 24.0", f"litres = {uniform(16.0, 40.0):.0f}"),
        ("count = 12", f"count = {in_water * random.choice((3, 4))}"),
        ("in_reservoir = 4", f"in_reservoir = {in_water}"),
        ("\nkg = 1.0", f"\nkg = {uniform(0.7, 1.5):.2f}"),
    )
    return exchanged(text, changes)


def exchanged(text: str, changes: Iterable[tuple[str, str]]) -> str:
    """Return a configuration with parts of its text exchanged, each of which must be there."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return text
