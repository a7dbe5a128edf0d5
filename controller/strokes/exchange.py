"""Compiled loops of the travel search: exchanges in an order of stations, with neighbour lists.

Owns the moves (2-opt: Croes 1958; Or-opt: Or 1976) and their books. Imported late: it brings the compiler.

A station has two ends, 2 i and 2 i + 1. ``tour`` (n + 2,) holds for each place the end where its station is entered;
it is left at the other one (``end ^ 1``). Place 0 is where the pen stands (station n), n + 1 where it goes at last
(station n + 1). Turned round, a station that is ``reversible`` swaps its ends, any other keeps them. So a run that is
turned does not keep its cost. ``excess`` (2, n + 2) holds for the link into each place what it would cost more the
other way round, and what it costs; sums of the former over blocks make a turned run's change known without walking
along it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from controller.strokes.compiled import compiled

BLOCK = 128
LONGEST_MOVED = 3  # stations in the run that Or-opt moves
KICK_NEIGHBOURS = 5  # so many of each end's neighbours are tried after a kick
KICK_RUN = 50  # stations in each of two neighbouring runs that a kick swaps, at most
LEAST_GAIN = 1e-7

Array = Any  # numba's arrays: one type for floats, indices and flags in the signatures below


@compiled
def cost_of(places: Array, signs: Array, rules: Array, free_from: int, leave: int, enter: int) -> float:
    """Cost of the way from end ``leave`` to end ``enter``; nothing to an end from ``free_from`` on."""
    if enter >= free_from:
        return 0.0
    dx = places[enter, 0] - places[leave, 0]
    dy = places[enter, 1] - places[leave, 1]
    way = np.sqrt(dx * dx + dy * dy)
    if way >= rules[2]:
        time = way / rules[0] + rules[1]
    elif way >= rules[5]:
        time = rules[4] + np.sqrt(rules[4] * rules[4] + 4.0 * way / rules[3])
    else:
        time = 4.0 * np.cbrt(0.5 * way / rules[6])
    against = 0
    if signs[enter, 0] != 0 and signs[enter, 0] * dx < rules[9]:
        against += 1
    if signs[enter, 1] != 0 and signs[enter, 1] * dy < rules[9]:
        against += 1
    if against == 1:
        time += rules[7]
    elif against == 2:
        time += rules[8]
    return float(time)


@compiled
def turned(reversible: Array, end: int) -> int:
    """The end at which a station is entered when the run that it is in is turned round."""
    return end ^ 1 if reversible[end >> 1] else end


@compiled
def excess_of(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array, at: int
) -> float:
    """What the link into place ``at`` costs more when both its stations are turned and swapped."""
    before, here = tour[at - 1], tour[at]
    back = cost_of(places, signs, rules, free_from, turned(reversible, here) ^ 1, turned(reversible, before))
    forth: float = cost_of(places, signs, rules, free_from, before ^ 1, here)
    return back - forth


@compiled
def renew(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array, excess: Array,
    uneven: bool, at: int,
) -> None:  # fmt: skip
    """Work the books of the link into place ``at`` out anew."""
    excess[1, at] = cost_of(places, signs, rules, free_from, tour[at - 1] ^ 1, tour[at])
    if uneven:
        excess[0, at] = excess_of(places, signs, rules, free_from, reversible, tour, at)


@compiled
def refresh(excess: Array, blocks: Array, first: int, last: int) -> None:
    """Sum up the blocks that hold places first..last."""
    for block in range(first // BLOCK, last // BLOCK + 1):
        total = 0.0
        for at in range(block * BLOCK, min(block * BLOCK + BLOCK, excess.shape[1])):
            total += excess[0, at]
        blocks[block] = total


@compiled
def excess_between(excess: Array, blocks: Array, first: int, last: int) -> float:
    """Sum over places first..last; 0 where there is none."""
    total = 0.0
    at = first
    while at <= last and at % BLOCK:
        total += excess[0, at]
        at += 1
    while at + BLOCK - 1 <= last:
        total += blocks[at // BLOCK]
        at += BLOCK
    while at <= last:
        total += excess[0, at]
        at += 1
    return total


@compiled
def turn_run(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array, place_of: Array,
    excess: Array, blocks: Array, uneven: bool, i: int, j: int,
) -> None:  # fmt: skip
    """Turn places i..j round."""
    low, high = i, j
    while low <= high:
        a, b = turned(reversible, tour[low]), turned(reversible, tour[high])
        tour[low], tour[high] = b, a
        place_of[b >> 1], place_of[a >> 1] = low, high
        low += 1
        high -= 1
    low, high = i + 1, j
    while low <= high:
        x, y = excess[0, low], excess[0, high]
        ahead, behind = excess[1, low] + x, excess[1, high] + y
        excess[0, low], excess[0, high] = -y, -x
        excess[1, low], excess[1, high] = behind, ahead
        low += 1
        high -= 1
    renew(places, signs, rules, free_from, reversible, tour, excess, uneven, i)
    renew(places, signs, rules, free_from, reversible, tour, excess, uneven, j + 1)
    if uneven:
        refresh(excess, blocks, i, j + 1)


@compiled
def swap_runs(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array, place_of: Array,
    excess: Array, blocks: Array, uneven: bool, i: int, left: int, right: int,
) -> None:  # fmt: skip
    """Let the runs of ``left`` and ``right`` stations from place i on change places. One of them is short."""
    end = i + left + right
    small = min(left, right)
    kept = np.empty(small, dtype=tour.dtype)
    kept_excess = np.empty((2, small))
    if left <= right:
        for k in range(left):
            kept[k] = tour[i + k]
            kept_excess[0, k], kept_excess[1, k] = excess[0, i + k], excess[1, i + k]
        for k in range(i, i + right):
            tour[k] = tour[k + left]
            excess[0, k], excess[1, k] = excess[0, k + left], excess[1, k + left]
        for k in range(left):
            tour[i + right + k] = kept[k]
            excess[0, i + right + k], excess[1, i + right + k] = kept_excess[0, k], kept_excess[1, k]
    else:
        for k in range(right):
            kept[k] = tour[i + left + k]
            kept_excess[0, k], kept_excess[1, k] = excess[0, i + left + k], excess[1, i + left + k]
        for k in range(end - 1, i + right - 1, -1):
            tour[k] = tour[k - right]
            excess[0, k], excess[1, k] = excess[0, k - right], excess[1, k - right]
        for k in range(right):
            tour[i + k] = kept[k]
            excess[0, i + k], excess[1, i + k] = kept_excess[0, k], kept_excess[1, k]
    for k in range(i, end):
        place_of[tour[k] >> 1] = k
    for k in (i, i + right, end):
        renew(places, signs, rules, free_from, reversible, tour, excess, uneven, k)
    if uneven:
        refresh(excess, blocks, i, end)


@compiled
def gain_of_turn(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array,
    excess: Array, blocks: Array, uneven: bool, i: int, j: int,
) -> float:  # fmt: skip
    """What turning places i..j round gains."""
    before, first, last, after = tour[i - 1] ^ 1, tour[i], tour[j], tour[j + 1]
    gain: float = excess[1, i] + excess[1, j + 1]
    gain -= cost_of(places, signs, rules, free_from, before, turned(reversible, last))
    gain -= cost_of(places, signs, rules, free_from, turned(reversible, first) ^ 1, after)
    if uneven:
        gain -= excess_between(excess, blocks, i + 1, j)
    return gain


@compiled
def gain_of_move(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array,
    excess: Array, i: int, length: int, m: int, turn: bool,
) -> float:  # fmt: skip
    """What moving the run of ``length`` from place i to between places m and m + 1 gains, turned round or not."""
    j = i + length - 1
    before, after = tour[i - 1] ^ 1, tour[j + 1]
    first, last = tour[i], tour[j] ^ 1
    gain: float = excess[1, i] + excess[1, j + 1] + excess[1, m + 1]
    gain -= cost_of(places, signs, rules, free_from, before, after)
    if turn:
        first, last = turned(reversible, tour[j]), turned(reversible, tour[i]) ^ 1
        for k in range(i + 1, j + 1):
            gain -= excess[0, k]
    here, there = tour[m] ^ 1, tour[m + 1]
    gain -= cost_of(places, signs, rules, free_from, here, first)
    gain -= cost_of(places, signs, rules, free_from, last, there)
    return gain


@compiled
def best_move(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array, place_of: Array,
    excess: Array, blocks: Array, uneven: bool, onward: Array, onward_cost: Array, back: Array, back_cost: Array,
    k: int, span: int, move: Array,
) -> float:  # fmt: skip
    """The best exchange that gives the station at place k a near neighbour: its gain, 0 for none; it in ``move`` (4,).

    move: first place, last place and -2 for a run turned round; else first place, length, place before which it goes
    less 1, and whether it is turned. Four kinds of link are tried: from its exit, to its entry, and both as they would
    be with the station turned round. Each is tried only while it costs less than one that it would replace.
    """
    count = len(tour) - 2
    best = LEAST_GAIN
    enter = tour[k]
    other = turned(reversible, enter)
    into = excess[1, k] if k > 0 else 0.0
    out = excess[1, k + 1] if k <= count else 0.0
    for kind in range(4):
        # 0: from the exit; 1: to the entry; 2: to the entry when turned; 3: from the exit when turned
        if kind in (0, 2) and k > count:
            continue
        if kind > 0 and (k < 1 or k > count) and not (kind == 1 and k == count + 1):
            continue
        replaced = out if kind in (0, 2) else into
        own = enter ^ 1 if kind == 0 else (enter if kind == 1 else (other if kind == 2 else other ^ 1))
        forward = kind in (0, 3)
        near = onward[own] if forward else back[own]
        near_cost = onward_cost[own] if forward else back_cost[own]
        for row in range(len(near)):
            end = near[row]
            if end < 0 or near_cost[row] >= replaced:
                break
            m = place_of[end >> 1]
            gap = m - k if m > k else k - m
            if gap > span or gap == 0:
                continue
            whole = (
                tour[m] == end if forward else tour[m] ^ 1 == end
            )  # met as it stands, else when turned round
            flipped = (
                turned(reversible, tour[m]) == end if forward else turned(reversible, tour[m]) ^ 1 == end
            )
            # Runs turned round.
            i = j = 0
            if kind == 0 and flipped and m > k:
                i, j = k + 1, m
            elif kind == 1 and flipped and m < k:
                i, j = m, k - 1
            elif kind == 2 and whole and m < k:
                i, j = m + 1, k
            elif kind == 3 and whole and m > k:
                i, j = k, m - 1
            if 1 <= i <= j <= count:
                gain = gain_of_turn(
                    places, signs, rules, free_from, reversible, tour, excess, blocks, uneven, i, j
                )
                if gain > best:
                    best = gain
                    move[0], move[1], move[2], move[3] = i, j, -2, 0
            # Short runs moved: the neighbour's to here, or this one's to there. The sum is begun with what is shared
            # by all lengths and given up as soon as it cannot gain.
            fresh = (
                cost_of(places, signs, rules, free_from, own, end)
                if forward
                else cost_of(places, signs, rules, free_from, end, own)
            )
            spare = replaced - fresh
            if spare <= 0.0:
                continue
            for length in range(1, LONGEST_MOVED + 1):
                for which in range(3):
                    turn = False
                    if which == 0:  # the neighbour's run as it stands
                        if kind > 1 or not whole:
                            continue
                        i, m2 = (m, k) if kind == 0 else (m - length + 1, k - 1)
                    elif which == 1:  # the neighbour's run turned
                        if kind > 1 or not flipped:
                            continue
                        i, m2, turn = (m - length + 1, k, True) if kind == 0 else (m, k - 1, True)
                    else:  # this station's run
                        if not whole:
                            continue
                        i = k - length + 1 if kind in (0, 2) else k
                        m2 = m - 1 if forward else m
                        turn = kind > 1
                    j = i + length - 1
                    if i < 1 or j > count or m2 < 0 or m2 > count or i - 1 <= m2 <= j:
                        continue
                    # Where the run is taken out two links go and one comes; of the two, this station's own may be one.
                    gone = excess[1, i] + excess[1, j + 1] + excess[1, m2 + 1]
                    if gone - fresh <= best:
                        continue
                    gone -= cost_of(places, signs, rules, free_from, tour[i - 1] ^ 1, tour[j + 1])
                    if gone - fresh <= best and not uneven:
                        continue
                    gain = gain_of_move(
                        places, signs, rules, free_from, reversible, tour, excess, i, length, m2, turn
                    )
                    if gain > best:
                        best = gain
                        move[0], move[1], move[2], move[3] = i, length, m2, 1 if turn else 0
    return best if best > LEAST_GAIN else 0.0


@compiled
def search(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array, place_of: Array,
    excess: Array, blocks: Array, uneven: bool, onward: Array, onward_cost: Array, back: Array, back_cost: Array,
    queue: Array, waiting: Array, head: int, filled: int, span: int, journal: Array,
) -> tuple[float, int, int, int]:  # fmt: skip
    """Carry out gaining exchanges until no station in the queue has one.

    queue: ring of stations, ``filled`` of them from ``head`` on; waiting: by station, whether it is in it. journal:
    (r, 3) takes the steps: i, j, -1 for a turn; i, left, right for a swap; when it is full, the search ends. With r = 0
    nothing is written down and there is no such end. Returns the gain, head, filled (0) and the number of steps.
    """
    size, room = len(queue), len(journal)
    gained, steps = 0.0, 0
    move = np.zeros(4, dtype=np.int64)
    touched = np.zeros(8, dtype=np.int64)
    while filled:
        station = queue[head]
        head = (head + 1) % size
        filled -= 1
        waiting[station] = False
        while room == 0 or steps + 2 <= room:
            k = place_of[station]
            gain = best_move(
                places, signs, rules, free_from, reversible, tour, place_of, excess, blocks, uneven, onward,
                onward_cost, back, back_cost, k, span, move,
            )  # fmt: skip
            if gain <= 0.0:
                break
            gained += gain
            i = move[0]
            if move[2] == -2:
                turns, j = 1, move[1]
                left = right = 0
            else:
                j = i + move[1] - 1
                turns = move[3]
                if move[2] > j:
                    left, right, begin = move[1], move[2] - j, i
                else:
                    left, right, begin = i - move[2] - 1, move[1], move[2] + 1
            if turns:
                turn_run(
                    places, signs, rules, free_from, reversible, tour, place_of, excess, blocks, uneven, i, j
                )
                if room:
                    journal[steps, 0], journal[steps, 1], journal[steps, 2] = i, j, -1
                    steps += 1
            touched[0], touched[1], touched[2], touched[3] = i - 1, i, j, j + 1
            many = 4
            if left:
                swap_runs(
                    places, signs, rules, free_from, reversible, tour, place_of, excess, blocks, uneven, begin,
                    left, right,
                )  # fmt: skip
                if room:
                    journal[steps, 0], journal[steps, 1], journal[steps, 2] = begin, left, right
                    steps += 1
                end = begin + left + right
                touched[0], touched[1], touched[2] = begin - 1, begin, end
                touched[3], touched[4], touched[5] = end - 1, begin + right - 1, begin + right
                many = 6
            for row in range(many):
                near = tour[touched[row]] >> 1
                if not waiting[near]:
                    waiting[near] = True
                    queue[(head + filled) % size] = near
                    filled += 1
    return gained, head, filled, steps


@compiled
def shorten(
    places: Array, signs: Array, rules: Array, free_from: int, reversible: Array, tour: Array,
    onward: Array, onward_cost: Array, back: Array, back_cost: Array, span: int, kicks: int, kick_span: int,
) -> float:  # fmt: skip
    """Shorten ``tour`` in place; what it gained.

    First until no exchange gains that spans at most ``span`` places. Then ``kicks`` times: two neighbouring short runs
    somewhere are swapped (Martin, Otto and Felten's double bridge, 1991, kept local) and the search goes on from there;
    what does not gain is taken back. Places are drawn by a generator that always begins at the same number.
    """
    total = len(tour)
    count = total - 2
    place_of = np.empty(total, dtype=np.int64)
    for k in range(total):
        place_of[tour[k] >> 1] = k
    excess = np.zeros((2, total))
    blocks = np.zeros(total // BLOCK + 1)
    uneven = rules[7] > 0.0 or rules[8] > 0.0
    for k in range(1, total):
        renew(places, signs, rules, free_from, reversible, tour, excess, True, k)
    for station in range(count):
        if not reversible[station]:
            for axis in range(2):
                uneven = uneven or places[2 * station, axis] != places[2 * station + 1, axis]
    refresh(excess, blocks, 0, total - 1)
    queue = np.empty(total, dtype=np.int64)
    waiting = np.ones(total, dtype=np.bool_)
    for k in range(total):
        queue[k] = tour[k] >> 1
    journal = np.empty((400, 3), dtype=np.int64)
    gained, head, filled, steps = search(
        places, signs, rules, free_from, reversible, tour, place_of, excess, blocks, uneven, onward, onward_cost,
        back, back_cost, queue, waiting, 0, total, span, journal[:0],
    )  # fmt: skip
    if count < 8:
        return gained
    onward, onward_cost = onward[:, :KICK_NEIGHBOURS].copy(), onward_cost[:, :KICK_NEIGHBOURS].copy()
    back, back_cost = back[:, :KICK_NEIGHBOURS].copy(), back_cost[:, :KICK_NEIGHBOURS].copy()
    state = np.uint64(88172645463325252)
    for _ in range(kicks):
        # Marsaglia's xorshift of 64 bits (2003).
        state ^= state << np.uint64(13)
        state ^= state >> np.uint64(7)
        state ^= state << np.uint64(17)
        longest = min(KICK_RUN, count // 2)
        left: Any = 1 + np.int64((state >> np.uint64(8)) % np.uint64(longest))
        right: Any = 1 + np.int64((state >> np.uint64(24)) % np.uint64(longest))
        i: Any = 1 + np.int64((state >> np.uint64(33)) % np.uint64(count - left - right + 1))
        middle, end = i + left, i + left + right
        delta = -(excess[1, i] + excess[1, middle] + excess[1, end])
        delta += cost_of(places, signs, rules, free_from, tour[i - 1] ^ 1, tour[middle])
        delta += cost_of(places, signs, rules, free_from, tour[end - 1] ^ 1, tour[i])
        delta += cost_of(places, signs, rules, free_from, tour[middle - 1] ^ 1, tour[end])
        swap_runs(
            places,
            signs,
            rules,
            free_from,
            reversible,
            tour,
            place_of,
            excess,
            blocks,
            uneven,
            i,
            left,
            right,
        )
        for at in (i - 1, i, i + right - 1, i + right, end - 1, end):
            near = tour[at] >> 1
            if not waiting[near]:
                waiting[near] = True
                queue[(head + filled) % total] = near
                filled += 1
        gain, head, filled, steps = search(
            places, signs, rules, free_from, reversible, tour, place_of, excess, blocks, uneven, onward,
            onward_cost, back, back_cost, queue, waiting, head, filled, kick_span, journal,
        )  # fmt: skip
        if gain - delta > LEAST_GAIN:
            gained += gain - delta
            continue
        for step in range(steps - 1, -1, -1):
            a, b, c = journal[step, 0], journal[step, 1], journal[step, 2]
            if c == -1:
                turn_run(
                    places, signs, rules, free_from, reversible, tour, place_of, excess, blocks, uneven, a, b
                )
            else:
                swap_runs(
                    places,
                    signs,
                    rules,
                    free_from,
                    reversible,
                    tour,
                    place_of,
                    excess,
                    blocks,
                    uneven,
                    a,
                    c,
                    b,
                )
        swap_runs(
            places,
            signs,
            rules,
            free_from,
            reversible,
            tour,
            place_of,
            excess,
            blocks,
            uneven,
            i,
            right,
            left,
        )
    return gained
