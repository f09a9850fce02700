"""The report: what a review says, on a page. Reading only, no measuring arithmetic."""
