from .audit import audit_html as audit_html
from .order import report_html as report_html
from .orientations import orientations_html as orientations_html
from .release import release_html as release_html
