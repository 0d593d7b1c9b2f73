"""The report: reads results and computes nothing."""

from capstat.report.write import ReportFiles, write_report

__all__ = ["ReportFiles", "write_report"]
