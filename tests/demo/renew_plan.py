"""Pin the demo song's plan anew: `python tests/demo/renew_plan.py`.

To be run when a change is meant to alter what is heard or planned; it prints what differs from
the plan pinned before. Read every line: each is a change that users will notice.
"""

from __future__ import annotations

import json

from demo_plan import PINNED, differences, heard_and_planned


def main() -> None:
    """Print the differences and write the file."""
    found = heard_and_planned()
    if PINNED.is_file():
        wanted = json.loads(PINNED.read_text(encoding="utf-8"))
        print("\n".join(differences(wanted, found)) or "nothing differs")
    text = json.dumps(found, ensure_ascii=False, indent=1)
    PINNED.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
