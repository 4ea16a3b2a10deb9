import sys
from pathlib import Path

# the small takes that the readers' tests are made of
sys.path.insert(0, str(Path(__file__).parent.parent / "readers"))
