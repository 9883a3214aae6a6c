"""The shipped profiles, as meters to choose from."""

from daq.cli.files import bundle, read_text
from daq.config.bench import parse_profile
from daq.config.models import Profile
from daq.starting_files import Meter, MeterField


def shipped_meters() -> dict[str, Meter]:
    """Every shipped profile by its name, in the order of the names."""
    folder = bundle() / "configs" / "profiles"
    return {
        path.stem: _meter(path.stem, parse_profile(read_text(path), file=str(path)))
        for path in sorted(folder.glob("*.toml"))
    }


def _meter(name: str, profile: Profile) -> Meter:
    return Meter(
        profile=name,
        title=profile.title,
        fields=tuple(MeterField(f.name, f.quantity, f.unit) for f in profile.field),
        is_addressed=profile.wire.needs_unit,
    )
