"""What each kind of finding is: what is seen, why it matters, what to do, its limits and their source."""

from __future__ import annotations

TEXTS: dict[str, str] = {
    "failed_start": """
It was asked to start and did not: the controller says so, or attempts were counted and no run followed
that could not have been missed. It ends with a later start, run, visit, task or part.

The site has no cover until somebody has been there. Of all that can be wrong with a set this is the one
it was bought against.

Call the site and ask whether they have power; send the nearest van. Nobody is asked for another try: a
starter cranked without rest burns out, and whoever bends over it may lose a hand when it fires.

Attempts within one cranking cycle are one demand: 75 s of a liquid-cooled set (NFPA 110, 5.6.4.2, as
specified in UFGS 16263A, 2.11.2), 70 s of an air-cooled one (common practice, no source), or what the
register says.
""",
    "not_in_auto": """
The panel switch stands out of automatic, by its contact or by the device's word.

It cannot start by itself. It is what is forgotten most often after a service, and nobody notices until
the mains goes.

Ask the last technician first. Nobody at the site switches it over while somebody may be at it: it may
start that second.

For 60 s by the contact's newest word; common practice, no source.
""",
    "starts_unreliable": """
Too many of its newest demands failed. Starts by hand and ends nobody saw count for neither side.

A set is bought to start nineteen times in twenty at the least. Three failures in twenty are a reason to
look and no proof of a bad set; where even the widest interval lies under the target, it is proven.

Have fuel, battery and starting system looked at at the next visit; the same day where it is proven.

3 of the last 20 demands, 5 of 50 or 8 of 100 (memory: NUMARC 87-00 rev. 1, appendix D, and Regulatory
Guide 1.155, a screening at 95 %). Proven: the 99 % Jeffreys interval lies under that (NIST e-Handbook,
7.2.4). Over after 7 good starts in a row; common practice, no source.
""",
    "harder_starting": """
It still starts, but takes more seconds of cranking, or more attempts, than it did at like temperature.

A set seldom fails out of the blue: fuel that leaks back, a tired glow plug, a battery on its way out all
show here weeks before the morning on which it does not catch.

Look at fuel, air, plugs or glow plugs and battery at the next visit.

At least 12 starts within 8 °C of the newest over 45 days; up by 0.5 s and 30 %, or by 0.5 of an
attempt, what the cold does taken out; chance would show it once in 2000 (Mann-Kendall and Theil-Sen:
Gilbert 1987, EPA QA/G-9S). The sizes are common practice, no source.
""",
    "shut_down": """
It stopped itself on a fault, or its emergency stop was pushed, and nothing has run and nobody was
recorded at it since.

It locks itself out: it will not start for the next outage, however good its battery is.

Call the site, send the nearest van. It stays down until somebody has found out why: an engine restarted
on low oil pressure is scrap.

Left out within 300 s of a failed start, which says the same; common practice, no source.
""",
    "battery_failed_cell": """
The battery stands two volts too low though a charger is on it or a run has just lifted it, or fell so
far from one day to the next.

A cell that has shorted takes a sixth of its volts with it. It will not crank the engine, and a charger
that works against it boils the rest.

Test the battery and take a new one along today. It gives off explosive gas: no flame, no spark, eyes
covered.

Per 12 V: under 11.65 V after a run that lifted it by 0.5 V, or under 11.85 V after a fall of more than
2.0 V, which is more than a lost charger takes; common practice, no source.
""",
    "charger_fault": """
The mains is on, its last run is half a day ago, and its volts stay under what any charger holds.

It lives off what is stored. In days to weeks it no longer cranks, and a weekly run fills it only in part.

Look at the charger, its mains supply and its fuse. Same day where the mains is seen to be on, at the next
visit where it is not wired.

Per 12 V: under 13.0 V for 24 h, counted from 12 h after a run; of a charger that works now and then for
3 days, of a solar panel for 7 days. Ends 0.2 V above. Common practice, no source.
""",
    "over_charge": """
Its volts stay above what a battery takes in that air.

It gasses, loses water and dries out in weeks; gel and AGM never get it back. The gas explodes.

Put a meter on the battery first, then look at the charger the same day.

Per 12 V: over 15.0 V for 12 h, the limit lower by 3.0 mV a cell for each degree above 25 °C and higher
by 5.0 mV below it (secondary source); common practice, no source.
""",
    "battery_runs_down": """
Nothing charges it between runs, and its volts at rest sag towards where a start is not to be counted on.

It is a clock that runs: the set is ready today and is not in some days, without any fault.

Charge it before the day named, and think of a charger.

21 days to a charge of 25 % or less, by the sag of its volts at rest and told only where its latest day
can be foretold too; Same day from 7 days on. Common practice, no source.
""",
    "battery_weak": """
Cranking takes its volts lower than its own healthy starts at like temperature, or under the limit for
that cold; or it rests less than half charged.

It may still start in October and not in January: cold oil takes more and a cold battery gives less.

To replace: test battery, cables and starter and take a new battery along the same day. To watch: test it
under load and look at its cables at the next visit.

Limit at 20 °C 9.6 V, at -18 °C 8.5 V, straight lines in between (workshop manuals, secondary source). To
replace: two of the newest three starts more than 0.1 V under it and fallen by 0.5 V, or one 0.5 V under
it and fallen by 1.0 V. To watch: fallen by 0.7 V, a trend that meets the limit, or a rest under 50 %.
Compared within 8 °C. Common practice, no source.
""",
    "battery_old": """
By the register or the record of its change it is older than such a battery usually gets.

Age alone is no fault. But it is cheaper to change it at a service than at night.

Think of a new one with the next service.

60 months (common practice, no source); 30 months of a set under a code or that lives depend on (NFPA 110,
annex, from memory).
""",
    "service_due": """
A task of its plan is near, due or late, by engine hours or by the calendar, whichever comes first.

Oil and filters wear by hours and age by the calendar. A code or a warranty may ask for proof of both.

Put it on the next round; the same day where it is late beyond its tolerance.

Soon: 30 days or 90 % of the hours. Late beyond tolerance: over 10 % of the interval and over 30 days
unless its plan says otherwise (common practice, no source); by anything at all under a code or a warranty.
Intervals are those of the plan, each with its source; the maker's manual always wins.
""",
    "oil_check_in_run": """
An air-cooled engine has run for hours on end, and nobody is known to have looked at its oil.

Small engines use oil. A storm outlasts what is in the sump, and the engine with it.

Have its level looked at by somebody who knows the set, stopped and cooled; the power is off meanwhile.

After 8 h of a run, then every 24 h; a visit, task, refuelling or meter reading from 2 h before answers
it. Common practice, no source.
""",
    "exercise_missed": """
At the agreed time it did not run, and its readings, start counter, events or hour meter would have shown
it.

The exercise is the only proof between two outages that it starts. What keeps it from its exercise often
keeps it from an outage.

Ask who was there last, then have its exercise clock looked at.

Within 2 h of the time at which it has lately run. Same day from 2 in a row on, where nothing else ran for
that length. Common practice, no source.
""",
    "exercise_short": """
It began its exercise and stopped before the agreed time.

A run too short to warm the engine does more harm than none, and something ended it: a timer or a fault.

At the next visit look at why it stopped: its timer, then its faults.

Less than agreed by more than 10 % and 2 min; common practice, no source.
""",
    "exercise_under_loaded": """
It ran its exercise, and carried less than was agreed.

A diesel that never works soots up: wet exhaust, glazed bores, oil in the stack.

Nothing today. Where it goes on, plan a run on a load bank with a technician at the set.

Mean load under 75 % of the agreed one, 5 min of warming and cooling left out; common practice, no source.
""",
    "exercise_time": """
It runs its exercise at another time than agreed, again and again.

Nobody at the site expects it then, and an hour off after a change of the clock says that its own does not
follow.

Set its exercise clock at the next visit, or write the real time into the register.

30 min or more, the median of its last 5 matches, 3 at least; common practice, no source.
""",
    "code_exercise_not_met": """
A set that a code puts under NFPA 110 had no run in the last whole month that met the monthly exercise.

The authority asks for the log. A month not met cannot be made up for later.

Plan this month's test under load with a technician at the set. The adopted edition and the local
authority come first.

30 min a month, a diesel at 30 % of nameplate (NFPA 110, 8.4.1 and 8.4.2, secondary source); else once a
year 30 min at 50 %, then 60 min at 75 % (8.4.2.3, secondary source).
""",
    "fuel_low": """
The tank is nearly down to what cannot be burnt, or holds less than the hours agreed for this site.

It starts, runs, and stops in the middle of the outage. A diesel run dry has to be bled before it starts
again.

Have it filled the same day, engine stopped and cooled. Of dual fuel nobody knows which one burns: look at
both at the next visit.

10 % of what can be burnt, or fewer hours than agreed, else than 24 h at a life site, 12 h at a business
and 8 h at a home, at most 25 % of what a full tank gives; by a second reading 60 s later; ends 2.0 points
above. Common practice, no source. Propane: what can be burnt is 80 down to 20 % (NFPA 58, from memory).
""",
    "mains_lost": """
The site's own supply is gone, as the set's mains sense reads it or its device says.

From here on the set has to carry the site. It is information until it does not.

Nothing where the set runs. Where sets nearby have mains it is the site's own main switch or a fuse: call
and ask what they see.

Under 50 % of nominal for 60 s and by a second reading; there again from 51 % on. Common practice, no
source.
""",
    "voltage_out": """
Its volts lie, or lay at the end of its newest run, outside of what its class or its owner allows.

Motors run hot on too little and electronics die of too much; a transfer switch may refuse to take it.

Put a meter on its output under load, then look at the voltage regulator.

The installer's own limits; else those of its class, 5.0, 2.5 or 1.0 % either way (G1, G2, G3: ISO
8528-5:2025, Table 4) and 1.5 % for its setting (common practice, no source), small sets up to 10 kW 10.0 % whatever the class
(the same, footnote); without a class 10.0 % (common practice, no source). For 60 s by a second sample, 30 s after the start.
""",
    "frequency_out": """
Its hertz lie, or lay at the end of its newest run, outside of what its class or its owner allows.

Too slow, and motors draw more and cool less; too fast, and a run-away is not far.

Put a meter on its output under load, then look at the governor and its fuel.

The installer's own limits; else by its class droop of 8.0, 5.0 or 3.0 % upwards (G1, G2, G3: ISO
8528-5:2025, Table 4) and 2.5 % downwards (the same, range of downward setting, from memory), each with
half the steady band; without a class, or with one or two cylinders, 4.2 % (common practice, no source).
For 60 s by a second sample, 30 s after the start.
""",
    "over_voltage": """
A measured circuit stands far above its own nominal while the set runs, or the device says so.

What is plugged in is being destroyed as you read this.

Call the site: load off at its breakers; send a van to stop the set.

From 115 % of nominal on, twice, 30 s after the start; common practice, no source.
""",
    "open_neutral": """
One leg or phase to neutral stands high while another stands low, and the two together are right.

The neutral is open: what hangs on the high leg burns, and cases may be live.

Call the site: everything sensitive off at its own breakers; send a licensed person.

One over 110 % and another under 90 % of their own nominal, twice; common practice, no source.
""",
    "leg_out": """
One of several circuits is dead or far too low while another is alive.

What hangs on it is dark, and three-phase motors on the rest burn out within minutes.

Call the site: motors off at their own breakers; send a licensed person. One that has never shown volts may
be a sense lead that was never fitted: look at the next visit.

Under 80 % of its own nominal for 60 s by a second sample (equipment is not made to run on less for longer
than 10 s: ITI (CBEMA) curve, 2000); dead under 50 % (common practice, no source).
""",
    "no_output": """
The engine turns, by a second signal, and its own side has no volts.

It sounds as if all were well, and nobody is covered.

Call the site about its output breaker; send the nearest van.

Under 20 % of nominal for 60 s by a second sample; common practice, no source.
""",
    "volts_standing": """
Its own side is live though the engine stands and no start was told.

Back-feed, or a sense lead on the wrong side of the transfer gear. Back-feed kills whoever takes the
terminals, or the line outside, for dead.

Stay away from the terminals and keep others away. A licensed person looks at the transfer gear first.

50 % of nominal for 60 s by a second reading, and no crank in the 5 min before they came; common practice,
no source.
""",
    "stray_volts": """
Some volts on its own side while the engine stands: too few for a supply.

Most often an open sense lead picks them up. Take the circuit for live until it is proven dead.

Have the sense leads looked at at the next visit.

From 10 % of nominal on, under 50 %; common practice, no source.
""",
    "voltage_drift": """
Run by run its volts move away from what they were when it was commissioned, at like load.

A regulator or its sensing ages slowly. This is the visit that is cheap because nothing has failed yet.

Put a meter on its output, then look at the voltage regulator at the next visit.

From 9 like runs on, the first 8 as commissioned; an EWMA outside its limits (NIST/SEMATECH e-Handbook,
6.3.2.4), chance once in 1000 (Mann-Kendall), 25 % of the way to the limit gone (common practice, no
source). Nothing is foretold beyond twice the span seen.
""",
    "frequency_drift": """
Run by run its hertz move away from what they were when it was commissioned, the load's part taken out.

A governor that wears, a linkage that gives, a filter that clogs. A heavier customer alone is no drift.

Put a meter on its output, then look at the governor, its linkage and the fuel at the next visit.

From 9 like runs on, the first 8 as commissioned; an EWMA outside its limits (NIST/SEMATECH e-Handbook,
6.3.2.4), chance once in 1000 (Mann-Kendall), 25 % of the way to the limit gone (common practice, no
source). Nothing is foretold beyond twice the span seen.
""",
    "hunting": """
Within a run its hertz swing wider than its steady band, the load's part taken out.

Its speed does not settle: air in the fuel, a sticking linkage, a governor out of adjustment. Clocks and
chargers behind it suffer first.

Look at fuel, air and the governor's linkage at the next visit.

Full width of 2.5, 1.5 or 0.5 % (G1, G2, G3: ISO 8528-5:2025, Table 4), with one or two cylinders 2.5 %
whatever the class (the same, footnote), without a class as G1; in the newest run and 2 of the newest 3
(common practice, no source).
""",
    "unbalance": """
The three line voltages lie apart while it runs.

A few percent between the lines are enough to run a three-phase motor hot.

Look at how the load is spread, then at the windings, at the next visit.

3.0 % between lines, computed as in NEMA MG 1, which derates motors from 1 % on; the most ANSI C84.1 allows
a supply at no load. In the newest run and 2 of the newest 3 (common practice, no source).
""",
    "wrong_nominal": """
Every one of its runs was at another nominal voltage or frequency than the register says.

Until it is put right it is judged by a figure that is not its own: right volts look wrong and wrong ones
right.

Read the nameplate and put it right in the register.

Within 3 % of another usual voltage (IEC 60038, ANSI C84.1, from memory) and outside its band, or within
2.5 % of the other of 50 and 60 Hz; every run of its device. Common practice, no source.
""",
    "not_reporting": """
Nothing was heard of it for longer than its habit allows, counted from receipt. A device that was fitted
and never spoke is a Note for a day.

It is unknown, which is not the same as ready. Whatever it said last may be over.

Check its power and its signal, and treat it as unknown.

3 of its own intervals, at least 20 min; of one that sleeps the second missed report and 10 %; never heard
for 24 h. Common practice, no source.
""",
    "sim_ending": """
The data card of its device ends soon or has ended; heard after that day, the date itself is old.

From that day on the set is silent, and looks like one that has failed.

Renew the card with its network, or fit another at the next visit.

Note from 30 days before its last day, Next visit from 7 days before; common practice, no source.
""",
    "data_budget": """
Its device has sent this month nearly what its data card allows.

Networks slow or stop a card that is used up, in the middle of the month and the storm.

Have the device report less often, or agree on more data.

80 % of the month's budget (UTC), counting topic, payload and 150 bytes a message (measured); common
practice, no source.
""",
    "meter_reset": """
The hour meter fell to a lower reading and stays there.

A new meter, or one that lost its count. Engine hours go on from the old reading until somebody says
otherwise, and service by hours depends on them.

If the meter was replaced, record its reading at the next visit to confirm.

Confirmed by 3 readings or 10 min; one that is back within them was a spike. Common practice, no source.
""",
    "meter_rolled_over": """
The hour meter went past the end of its digits and began again.

Information: engine hours go on without a step.

Nothing; look once whether the hours shown here are right.

From within 1 % of a power of ten or of two, or of the digits set for it; told for 30 days. Common
practice, no source.
""",
    "meter_disagrees": """
Over a month the hour meter and the runs that were seen differ by more than gaps and its own step explain.

Service by hours goes by the meter. It is about the metering, never about the engine.

Compare with the engine's own meter at the next visit.

5 % and 1.0 h over 30 days; common practice, no source.
""",
    "uses_integrated_hours": """
The hour meter counts while the engine is seen to stand, so hours are added up from the runs.

Such a meter is fed by the key, which is on all day in automatic; by its count service would always be
late.

Nothing; where it can be, have the meter wired to the running engine.

More than 1.0 h and 5 % of its gain on days on which it counted at least 50 % of the time watched; common
practice, no source.
""",
    "clock_wrong": """
The device gives times that cannot be right, or has ceased to give any although it had.

Its readings carry the time they were received. That is right while the line is up, and wrong for what it
kept while it was down.

Have the device's clock set from the network.

Before 2015, or more than 10 min ahead of receipt; shown for 24 h after the last. Common practice, no
source.
""",
    "sequence_gaps": """
Numbered messages of its device never arrived.

A line or a buffer that loses messages loses the one that matters some day.

Look at signal and power of the device when you are there; nothing today.

Any number that is missing; common practice, no source.
""",
    "mains_outage": """
Several sites of an area lost their mains together, or one site alone did.

One alert instead of one a set: who has cover, who has none, who is to be called first.

Work down the call list; send a van where there is no power. Nobody at a site is asked to touch the set.

2 sites, and 3 sets or 25 % of the area, within 5 min; Act now while a site has no cover or none proven.
Common practice, no source.
""",
    "own_line": """
Many sets fell silent together and none of them had lost its mains first.

It is more likely our own line or broker than theirs. One alert stands for all of them.

Look at the broker and the line of this service first; the sets are unknown meanwhile.

5 sets and 20 % of all, last heard within 10 min; common practice, no source.
""",
    "undelivered": """
A message to somebody was given up, or should have left some minutes ago.

Whoever should have been woken sleeps.

Put the address or the mail server right and send a test.

5 min after it should have left; shown until 2 days after that. Common practice, no source.
""",
}
