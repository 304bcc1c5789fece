"""The track record: what was said against what came, and a chance that means what it says.

metar, synop -> skyreading     what a station's report says of its sky
evidence, stations, people, analyses, witnesses -> outcome     what the night was like, and who says so
leads, pairs, climatology, score, ranges -> record, regret, words     how often it was right
logistic, isotonic, apply -> fit -> calibration -> correct -> outlooks     a chance corrected by what came
"""
