"""Every component by its kind and name."""

from .comparing import COMPARING
from .component import Component
from .follow_up import FOLLOW_UP
from .healing import HEALING
from .macros import MACROS
from .other_charts import OTHER_CHARTS
from .watching import WATCH
from .week_charts import WEEK_CHARTS
from .weeks import WEEKS

KINDS: dict[str, dict[str, Component]] = {
    "charts": WEEK_CHARTS | OTHER_CHARTS,
    "sections": HEALING | FOLLOW_UP | COMPARING | WEEKS | WATCH,
    "macros": MACROS,
}
COMPONENTS: dict[str, Component] = {
    f"{kind}/{name}": component for kind, components in KINDS.items() for name, component in sorted(components.items())
}
