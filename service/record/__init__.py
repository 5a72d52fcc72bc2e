"""The service record: one assessment as a sheet to print and hand over, as HTML or PDF."""
