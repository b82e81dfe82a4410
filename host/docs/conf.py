"""How `make docs` builds the documentation: offline, from the checkout, warnings as errors."""

import re
import sys
from pathlib import Path

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.util.docutils import SphinxDirective

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "host"))

import sparkwitness  # noqa: E402

project = "sparkwitness"
author = copyright = "The sparkwitness project, MIT licence"
version = release = sparkwitness.__version__

# Sources lie where their subjects are: links between files are the same on disk and on the page.
root_doc = "host/docs/index"
include_patterns = [
    "host/docs/**.md", "hardware/**.md", "protocol/wire.md", "DEVELOPERS.md",
]  # fmt: skip
exclude_patterns = [".venv", ".git", "build", "dist", "tests", "host/sparkwitness", "**/.*"]

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx_click"]
myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
default_role = "code"
autodoc_member_order = "bysource"
autodoc_typehints = "signature"
autodoc_type_aliases = {"ArrayLike": "ArrayLike"}
smartquotes = False
autodoc_preserve_defaults = True
napoleon_use_ivar = True
python_use_unqualified_type_names = True
nitpicky = False

html_theme = "furo"
html_title = f"sparkwitness {version}"
html_copy_source = False
templates_path = ["templates"]
html_additional_pages = {"index": "start.html"}  # beside it, the pages lie in folders


def _mathml(translator, node, block):
    """Formulas as MathML, which every browser draws itself: no script and no font is loaded."""
    translator.body.append(tex2mathml(node.astext(), as_block=block))
    raise nodes.SkipNode


class Gates(SphinxDirective):
    """The table of `timing.gates` as it is in the code."""

    def run(self):
        from sparkwitness.timing.gates import GATES, REFUSED

        rows = ["| finding | then | what is said |", "|--|--|--|"]
        for gate in GATES:
            then = "shown, with this said" if gate.advice else "shown, no setting advised"
            text = re.sub(r"\{.*?\}", "…", gate.text)
            rows.append(
                f"| `{gate.name}` | {'no angle' if gate.level == REFUSED else then} | {text} |"
            )
        return self.parse_text_to_nodes("\n".join(rows))


def setup(app):
    app.add_directive("gates", Gates)
    app.add_html_math_renderer(
        "mathml",
        inline_renderers=(lambda self, node: _mathml(self, node, False), None),
        block_renderers=(lambda self, node: _mathml(self, node, True), None),
    )
    return {"parallel_read_safe": True}


html_math_renderer = "mathml"
