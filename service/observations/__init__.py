"""What the sky over a site was really like: weather stations' own reports, one module a source.

Every source is asked after the night, reads the raw report alone, and can be switched off.
"""
