"""The track record: what was said against what came, and a chance that means what it says.

coded_reports -> evidence     what a station's report says of its sky
stations, witnesses -> outcome                   what the night was like, and who says so
leads, pairs, climatology, score -> summary, text     how often it was right
regression -> fit -> model -> correct     a chance corrected by what came
"""
