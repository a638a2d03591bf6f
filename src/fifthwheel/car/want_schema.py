"""The table `[[want]]` of `session.toml` and `car.toml`: what the builder wants to know, and how well."""

from fifthwheel.car.rules import Rule
from fifthwheel.car.table import Annotated, TomlTable


class WantTable(TomlTable):
    """A figure that you want to know, and how well; the test plan is made from these. Write one [[want]] for each."""

    figure: Annotated[
        str,
        Rule(
            "figure",
            "Name of the figure (docs/figures.md lists all).",
            required=True,
            shown="launch.time_to_60_km_h.first_motion",
        ),
    ]
    uncertainty: Annotated[
        str,
        Rule(
            "bound",
            'Half-width of the 95 % interval that you want, in a unit ("0.05 s") or as a share of the figure ("2 %").',
            required=True,
            shown="0.05 s",
        ),
    ]
