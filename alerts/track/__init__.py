"""The track record: what was said against what came, and a chance that means what it says.

metar, synop -> evidence     what a station's report says of its sky
stations, people_reports, analyses, independence -> outcome     what the night was like, and who says so
leads, pairs, climatology, score, intervals -> summary, regret, text     how often it was right
regression -> fit -> model -> correct     a chance corrected by what came
"""
