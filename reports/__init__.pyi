from .charts.front import front_chart as front_chart
from .charts.load_lines import load_line_chart as load_line_chart
from .charts.responses import response_chart as response_chart
from .charts.schematic import schematic as schematic
from .document.files import write_report as write_report
from .model import ReportData as ReportData
