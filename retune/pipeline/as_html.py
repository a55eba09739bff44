"""Values that a notebook shows: what draws them is imported when one is shown."""

from __future__ import annotations

from retune.carriers.changes import Plan
from retune.carriers.displayed import AS_HTML
from retune.carriers.heard import Analysis


def _analysis(analysis: Analysis) -> str:
    from retune.pipeline.displays import analysis_html

    return analysis_html(analysis)


def _plan(plan: Plan) -> str:
    from retune.pipeline.displays import plan_html

    return plan_html(plan)


AS_HTML.update({Analysis: _analysis, Plan: _plan})
