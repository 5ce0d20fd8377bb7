"""Every compiled kernel has its plain twin: which test holds it against one.

A twin is the same result another way: sums by numpy, dense algebra, every case written out, a formula. A new kernel needs a
line here, and the test the line names.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

import sidekeep
from tests.reading import walked

SOURCE = Path(sidekeep.__file__).parent
TESTS = Path(__file__).parents[1]

FINDING = "dsp/impulses/test_finding_twins.py"
ESTIMATE = "dsp/impulses/test_estimate_twins.py"
CANDIDATES = "dsp/impulses/test_candidates.py"
COLUMNS = "dsp/impulses/test_columns.py"
CONTINUITY = "dsp/impulses/test_continuity.py"
AUTOREGRESSION = "dsp/impulses/test_autoregression.py"
EVIDENCE = "dsp/impulses/evidence/test_evidence.py"
EVIDENCE_TWINS = "dsp/impulses/evidence/test_evidence_twins.py"
BELIEF = "dsp/impulses/test_belief.py"
PLACES = "dsp/impulses/test_places.py"
MEDIAN = "dsp/impulses/test_running_median.py"
RECURRENCE = "dsp/impulses/test_recurrence.py"
SAFETY = "dsp/impulses/test_safety.py"
THUMP_DIRECTIONS = "dsp/impulses/test_thump_directions.py"
THUMP_SIZES = "dsp/impulses/test_thump_sizes.py"
FORECAST = "dsp/turn/test_forecast_twins.py"
FEATURES = "dsp/tracks/test_features.py"
LEVELS = "dsp/level/test_sample_levels.py"
SIDE = "press/test_side_kernels.py"
MUSIC = "press/test_music_sounds.py"

TWINS = {
    "dsp/alignment/energy.py": {
        "_strongest": ("flow/comparison/test_marks.py", "test_energy_is_that_of_the_plain_sum"),
    },
    "dsp/alignment/fine.py": {
        "_inverse_diagonal": ("dsp/alignment/test_kernels.py", "test_the_smooth_curve_solves_its_equations"),
    },
    "dsp/alignment/sinc.py": {
        "_read": ("dsp/alignment/test_kernels.py", "test_reading_is_its_plain_twin"),
    },
    "dsp/impulses/autoregression.py": {
        "correlate_walls": (AUTOREGRESSION, "test_correlations_of_two_walls_equal_numpy"),
        "autocorrelate": (AUTOREGRESSION, "test_correlations_equal_numpy"),
        "add_products": (AUTOREGRESSION, "test_products_are_those_of_the_windows_that_fit"),
        "solve_products": (AUTOREGRESSION, "test_the_model_of_products_is_that_of_dense_least_squares"),
        "levinson": (AUTOREGRESSION, "test_levinson_equals_the_toeplitz_solver"),
        "model_correlation": (
            AUTOREGRESSION,
            "test_model_correlation_is_the_diagonal_of_the_normal_matrix",
        ),
        "factor_band": (AUTOREGRESSION, "test_band_solver_and_inverse_equal_dense_ones"),
        "solve_band": (AUTOREGRESSION, "test_band_solver_and_inverse_equal_dense_ones"),
        "invert_band": (AUTOREGRESSION, "test_band_solver_and_inverse_equal_dense_ones"),
    },
    "dsp/impulses/band.py": {
        "sum_squares": ("dsp/impulses/test_band.py", "test_powers_and_medians_are_those_of_plain_numpy"),
    },
    "dsp/impulses/beat.py": {
        "densest": ("dsp/impulses/test_beat.py", "test_grids_are_tried_as_by_the_plain_search"),
        "divergence": ("dsp/impulses/test_beat.py", "test_grids_are_tried_as_by_the_plain_search"),
        "follow_lines": ("dsp/impulses/test_beat.py", "test_lines_are_followed_as_by_plain_least_squares"),
        "fullest": ("dsp/impulses/test_beat.py", "test_the_fullest_window_is_that_of_the_plain_search"),
        "list_periods": ("dsp/impulses/test_beat.py", "test_grids_are_tried_as_by_the_plain_search"),
        "middle_distance": ("dsp/impulses/test_beat.py", "test_grids_are_tried_as_by_the_plain_search"),
        "sort_few": ("dsp/impulses/test_beat.py", "test_grids_are_tried_as_by_the_plain_search"),
        "try_grids": ("dsp/impulses/test_beat.py", "test_grids_are_tried_as_by_the_plain_search"),
    },
    "dsp/impulses/belief.py": {"weigh_candidates": (BELIEF, "test_belief_is_the_sum_of_its_parts")},
    "dsp/impulses/channel.py": {
        "keep_fresh": (CANDIDATES, "test_candidates_of_stale_hops_that_stand_out_or_are_due_are_fresh"),
        "mark_hops": (CANDIDATES, "test_hops_that_see_a_changed_row_are_stale"),
    },
    "dsp/impulses/candidates.py": {
        "fit_predictors": (FINDING, "test_predictors_are_those_of_the_windowed_autocorrelation"),
        "filter_ahead": (FINDING, "test_filtering_ahead_is_the_plain_sum"),
        "find_errors": (CANDIDATES, "test_errors_equal_plain_convolution"),
        "backward_error": (CANDIDATES, "test_errors_equal_plain_convolution"),
        "find_scale": (CANDIDATES, "test_scale_is_the_larger_of_two_medians_of_cells"),
        "scale_cells": (CANDIDATES, "test_the_scale_is_looked_at_again_wherever_it_sees_a_changed_hop"),
        "calm_share": (CANDIDATES, "test_the_calm_share_is_that_of_the_plain_means"),
        "find_tests": (CANDIDATES, "test_the_test_is_the_likelihood_ratio_of_three_unknown_frames"),
        "find_candidates": (FINDING, "test_candidates_are_those_of_the_plain_search"),
        "find_bursts": (FINDING, "test_bursts_are_those_of_the_plain_search"),
    },
    "dsp/impulses/columns.py": {
        "on_lines": (COLUMNS, "test_what_is_asked_for_begins_on_a_line_of_memory"),
        "lay_out": (COLUMNS, "test_columns_are_pieces_of_the_signal_side_by_side_and_go_back"),
        "lay_back": (COLUMNS, "test_columns_are_pieces_of_the_signal_side_by_side_and_go_back"),
        "filter_columns": (COLUMNS, "test_filtering_in_columns_is_filtering_along_the_signal"),
        "correlate_columns": (COLUMNS, "test_correlations_in_columns_are_those_along_the_signal"),
    },
    "dsp/impulses/continuity.py": {
        "misfit": (CONTINUITY, "test_the_least_error_and_the_misfit_are_those_of_dense_least_squares"),
        "least_error": (CONTINUITY, "test_the_least_error_and_the_misfit_are_those_of_dense_least_squares"),
        "predict": (CONTINUITY, "test_errors_are_the_valid_part_of_the_convolution"),
    },
    "dsp/impulses/damage_spans.py": {
        "_is_before": (FINDING, "test_two_tables_become_one_in_order"),
        "sort_rows": (FINDING, "test_two_tables_become_one_in_order"),
        "merge_rows": (FINDING, "test_two_tables_become_one_in_order"),
        "join_rows": (FINDING, "test_joined_rows_are_the_runs_of_a_painted_line"),
        "sum_changes": (FINDING, "test_what_is_taken_out_and_left_are_plain_sums_of_squares"),
    },
    "dsp/impulses/estimate.py": {
        "estimate_spans": (ESTIMATE, "test_spans_are_estimated_one_after_the_other"),
        "estimate_span": (
            "dsp/impulses/test_estimate.py",
            "test_the_first_round_is_the_least_squares_filling",
        ),
        "fade_parts": (ESTIMATE, "test_the_surroundings_are_faded_and_mirrored"),
        "fill_in": (ESTIMATE, "test_the_surroundings_are_faded_and_mirrored"),
        "sum_spread": (ESTIMATE, "test_the_covariances_are_summed_by_how_far_the_frames_lie_apart"),
        "see_parts": (ESTIMATE, "test_parts_show_the_take_in_the_span_and_the_mended_one_round_it"),
        "learn_part": (ESTIMATE, "test_a_part_s_model_comes_from_context_and_estimate"),
        "pull_of": (ESTIMATE, "test_the_pull_is_the_two_sided_error"),
    },
    "dsp/impulses/evidence/collect.py": {
        "collect_evidence": (EVIDENCE, "test_the_rest_is_asked_only_where_the_screen_lets_a_candidate_pass"),
        "judge_candidates": (EVIDENCE, "test_the_second_judge_is_asked_what_the_first_lets_pass"),
    },
    "dsp/impulses/evidence/near.py": {"near_evidence": (EVIDENCE_TWINS, "test_near_evidence")},
    "dsp/impulses/evidence/network.py": {
        "weigh_evidence": (
            "dsp/impulses/evidence/test_network.py",
            "test_a_network_weighs_as_its_formula_says",
        ),
        "bend": (
            "dsp/impulses/evidence/test_network.py",
            "test_many_hyperbolic_tangents_are_those_of_numpy",
        ),
    },
    "dsp/impulses/evidence/rail.py": {
        "greatest": (EVIDENCE_TWINS, "test_the_greatest_level_is_that_of_either_sign"),
        "rail_of": (EVIDENCE_TWINS, "test_the_rail_is_known_wherever_a_span_that_counts_may_lie_on_it"),
        "lies_on_the_rail": (EVIDENCE_TWINS, "test_a_crest_on_the_rail_is_that_of_the_plain_comparison"),
    },
    "dsp/impulses/evidence/repeats.py": {
        "repeat_evidence": (EVIDENCE_TWINS, "test_repeat_evidence"),
        "roughen": (EVIDENCE_TWINS, "test_errors_in_single_precision_are_there_round_every_peak"),
        "highest_near": (EVIDENCE_TWINS, "test_the_highest_of_three_neighbours"),
        "most_alike": (EVIDENCE_TWINS, "test_the_most_alike_is_the_best_of_all_periods"),
        "evenness_evidence": (
            EVIDENCE,
            "test_an_even_pace_is_told_from_chance_as_the_gamma_distribution_tells_it",
        ),
        "train_evidence": (EVIDENCE_TWINS, "test_train_evidence"),
        "find_pulses": (EVIDENCE_TWINS, "test_pulses_are_found_outwards"),
    },
    "dsp/impulses/evidence/seam.py": {
        "change_window": (EVIDENCE, "test_the_change_of_sound_is_that_of_plain_predictors"),
        "change_evidence": (EVIDENCE, "test_the_change_of_sound_is_that_of_plain_predictors"),
        "fit_exactly": (EVIDENCE, "test_the_exact_predictor_is_that_of_least_squares"),
        "seam_evidence": (EVIDENCE, "test_a_seam_is_told_from_damage"),
    },
    "dsp/impulses/evidence/walls.py": {"wall_evidence": (EVIDENCE_TWINS, "test_wall_evidence")},
    "dsp/impulses/extent.py": {
        "first_row": (ESTIMATE, "test_rows_of_the_factor_are_those_of_cholesky"),
        "factor_row": (ESTIMATE, "test_rows_of_the_factor_are_those_of_cholesky"),
        "best_end": ("dsp/impulses/test_extent.py", "test_the_best_end_is_that_of_dense_algebra"),
        "fit_extents": (
            "dsp/impulses/test_extent.py",
            "test_known_ends_are_found_from_a_first_guess_inside",
        ),
        "fit_zone": (ESTIMATE, "test_a_zone_is_seen_as_by_dense_algebra"),
    },
    "dsp/impulses/full_band.py": {
        "interpolate": ("dsp/impulses/test_band.py", "test_the_kernel_is_its_plain_twin"),
    },
    "dsp/impulses/music_parts.py": {
        "half_window": (ESTIMATE, "test_the_half_window_is_half_a_hann_window"),
        "split_music": (ESTIMATE, "test_music_is_split_where_least_is_left_to_predict"),
        "rotated": (ESTIMATE, "test_the_parts_are_a_rotation_and_rotate_back"),
    },
    "dsp/impulses/likeness.py": {
        "count_alike": ("dsp/impulses/test_likeness.py", "test_the_alike_are_counted_as_by_numpy"),
    },
    "dsp/impulses/lone.py": dict.fromkeys(
        ("doubt_alone", "has_two_sounds", "is_in_phase"),
        ("dsp/impulses/test_lone.py", "test_the_kernel_is_its_plain_twin"),
    ),
    "dsp/impulses/peers.py": {
        "count_peers": ("dsp/impulses/test_peers.py", "test_the_kernel_is_its_plain_twin"),
        "neighbours": ("dsp/impulses/test_peers.py", "test_the_kernel_is_its_plain_twin"),
        "lower_among_peers": (
            "dsp/impulses/test_peers.py",
            "test_what_was_mended_at_the_first_look_is_a_peer_that_was_taken",
        ),
        "lower_in_crowds": ("dsp/impulses/test_peers.py", "test_the_crowd_s_kernel_is_its_plain_twin"),
    },
    "dsp/impulses/places.py": {
        "gather_places": (PLACES, "test_places_are_those_of_the_plain_twin"),
        "join_walls": (PLACES, "test_repairs_of_two_walls_that_overlap_become_one"),
    },
    "dsp/impulses/priors.py": {
        "share_shift": (CANDIDATES, "test_the_share_of_damage_is_that_of_all_rounds_written_out"),
        "add_beside": (BELIEF, "test_what_lies_close_behind_a_large_repair_may_be_the_rest_of_it"),
        "spread_due": (CANDIDATES, "test_what_is_due_is_worth_nats_in_its_window_on_its_wall"),
    },
    "dsp/impulses/pulse.py": {
        "weigh": (ESTIMATE, "test_weighing_solves_the_dense_equation"),
        "has_settled": (ESTIMATE, "test_a_span_has_settled_where_a_round_changes_less_than_is_unsure"),
        "learn_pulse": (ESTIMATE, "test_the_pulse_s_variance_is_the_local_second_moment"),
        "fit_colour": (ESTIMATE, "test_the_colour_is_that_of_weighted_least_squares"),
    },
    "dsp/impulses/recurrence.py": {
        "recurrence": (RECURRENCE, "test_the_kernel_is_its_plain_twin"),
        "explain_places": (RECURRENCE, "test_each_place_explains_what_a_gain_of_it_takes_away"),
        "first_greatest": (RECURRENCE, "test_of_the_greatest_the_first_along_the_signal_is_found"),
    },
    "dsp/impulses/repaired.py": {
        "gather_values": (PLACES, "test_values_are_gathered_and_laid_row_by_row"),
        "lay_values": (PLACES, "test_values_are_gathered_and_laid_row_by_row"),
    },
    "dsp/impulses/running_median.py": {
        "running_median": (MEDIAN, "test_running_medians_are_those_of_sorted_windows"),
        "median_of_twenty": (MEDIAN, "test_the_median_is_right_whatever_the_order_of_its_parts"),
        "sort_four": (MEDIAN, "test_four_are_sorted"),
        "merge_fours": (MEDIAN, "test_two_fours_in_order_become_eight"),
        "greatest_two_below": (MEDIAN, "test_the_middle_of_two_eights"),
        "least_three_above": (MEDIAN, "test_the_middle_of_two_eights"),
    },
    "dsp/impulses/safety.py": {
        "slope_energy": (SAFETY, "test_the_energy_of_slopes_is_the_plain_sum"),
        "mean_square": (SAFETY, "test_the_mean_square_is_the_plain_one"),
        "odds_of_rows": (SAFETY, "test_a_row_has_the_best_odds_of_the_candidates_in_it"),
        "take_back": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
        "undo_pulses_and_cuts": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
        "leave_vague": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
        "undo_what_dwarfs": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
        "is_even": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
        "comes_again": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
        "is_long": (SAFETY, "test_the_rules_are_those_of_their_plain_twin"),
    },
    "dsp/impulses/span_rooms.py": {
        "octaves_over": (BELIEF, "test_rooms_and_margins_are_their_formulas"),
        "find_rooms": (BELIEF, "test_rooms_and_margins_are_their_formulas"),
        "add_margins": (BELIEF, "test_rooms_and_margins_are_their_formulas"),
    },
    "dsp/impulses/thump_directions.py": {
        "ask_directions": (THUMP_DIRECTIONS, "test_the_evidence_of_a_direction_is_that_of_dense_algebra"),
        "mix_parts": (THUMP_DIRECTIONS, "test_the_evidence_of_a_direction_is_that_of_dense_algebra"),
        "left_of": (THUMP_DIRECTIONS, "test_the_evidence_of_a_direction_is_that_of_dense_algebra"),
    },
    "dsp/impulses/thump_sizes.py": {
        "fit_music": (THUMP_SIZES, "test_the_music_is_fitted_outside_the_gap"),
        "ask_heads": (THUMP_SIZES, "test_the_evidence_along_is_that_of_dense_algebra"),
        "likelihood": (THUMP_SIZES, "test_the_likelihood_is_that_of_a_variance_that_is_not_known"),
    },
    "dsp/impulses/wall_gains.py": {
        "guess_gains": (ESTIMATE, "test_first_gains_are_ratio_and_sign_of_second_differences"),
        "likelier_turned": (ESTIMATE, "test_the_sign_of_the_second_wall_is_that_which_explains_most"),
        "choose_sign": (ESTIMATE, "test_the_sign_of_the_second_wall_is_that_which_explains_most"),
        "learn_gains": (ESTIMATE, "test_the_likeliest_gains_are_those_of_least_squares"),
    },
    "dsp/level/channels.py": {
        "_fast_bits": ("dsp/level/test_channels.py", "test_bits_and_repeats_are_plain_numpy"),
        "_fast_repeats": ("dsp/level/test_channels.py", "test_bits_and_repeats_are_plain_numpy"),
        "_fast_still": ("dsp/level/test_channels.py", "test_still_stretches_equal_the_plain_twin"),
    },
    "dsp/level/clipping.py": {
        "_fast_runs": ("dsp/level/test_clipping.py", "test_runs_equal_the_plain_twin"),
        "_fast_tops": ("dsp/level/test_clipping.py", "test_tops_equal_the_plain_twin"),
    },
    "dsp/level/loudness.py": {
        "_fast_weigh": ("dsp/level/test_loudness.py", "test_kernel_equals_plain_filter"),
    },
    "dsp/level/peak_pyramid.py": {
        "_fast_buckets": ("dsp/level/test_peak_pyramid.py", "test_every_level_is_that_of_the_samples"),
    },
    "dsp/level/sample_levels.py": {
        "_fast_sums": (LEVELS, "test_equals_plain_numpy"),
        "_fast_correlation": (LEVELS, "test_equals_plain_numpy"),
        "_fast_windows": (LEVELS, "test_means_over_windows_are_plain_numpy"),
        "_fast_vanish": (LEVELS, "test_one_sample_that_is_no_number_is_seen"),
    },
    "dsp/level/true_peak.py": {
        "_fast_peak": ("dsp/level/test_true_peak.py", "test_skipping_is_exact"),
    },
    "dsp/noise/low_rate.py": {
        "_fast_decimate": (
            "dsp/noise/test_hum.py",
            "test_decimator_blocks_equal_the_whole_and_the_plain_twin",
        ),
    },
    "dsp/output/dither.py": {
        "_fast_quantise": ("dsp/output/test_dither.py", "test_kernel_equals_plain_twin"),
    },
    "dsp/output/steps.py": {
        "_fast_steps": ("dsp/output/test_steps.py", "test_steps_are_those_of_plain_numpy"),
        "_fast_pack_24": ("dsp/output/test_steps.py", "test_packing_is_that_of_plain_python"),
    },
    "dsp/tracks/division.py": {
        "forward_kernel": (
            "dsp/tracks/test_division.py",
            "test_kernels_match_all_divisions_written_out",
        ),
        "backward_kernel": (
            "dsp/tracks/test_division.py",
            "test_kernels_match_all_divisions_written_out",
        ),
    },
    "dsp/tracks/hop_kernels.py": {
        "decimate": (FEATURES, "test_decimating_matches_plain_python"),
        "mid_side": (FEATURES, "test_kernels_match_plain_python"),
        "hop_outline": (FEATURES, "test_kernels_match_plain_python"),
        "hop_impulse": (FEATURES, "test_kernels_match_plain_python"),
    },
    "dsp/turn/forecast.py": {
        "half_width_s": (FORECAST, "test_window_and_odds_of_a_track_are_their_formulas"),
        "log_odds": (FORECAST, "test_window_and_odds_of_a_track_are_their_formulas"),
        "follow": (FORECAST, "test_following_is_that_of_a_plain_list"),
        "begin_track": (FORECAST, "test_events_are_followed_as_by_plain_lists"),
        "follow_events": (FORECAST, "test_events_are_followed_as_by_plain_lists"),
        "list_due": (FORECAST, "test_events_are_followed_as_by_plain_lists"),
    },
    "press/disc/groove.py": {
        "play_kernel": (SIDE, "test_play_kernel_is_the_windowed_sum_at_the_cubic_position"),
    },
    "press/disc/noise.py": {"add_table": (SIDE, "test_add_table_runs_through_the_cycle")},
    "press/disc/pulses.py": {
        "add_events": (SIDE, "test_add_events_blocks_equal_the_whole"),
        "event_sizes": (SIDE, "test_event_sizes_are_the_whitened_peak_over_the_slope"),
    },
    "press/music/room.py": {"_place": (MUSIC, "test_a_sound_is_placed_near_and_far_by_its_gains")},
    "press/scoring/mending.py": {"span_errors": (SIDE, "test_span_errors_count_the_channels_asked_for")},
    "press/music/filters.py": {"_run_formants": (MUSIC, "test_still_formants_are_plain_resonances")},
    "press/music/tone.py": {
        "_play_tables": (MUSIC, "test_tables_play_their_harmonics"),
        "_loop_string": (MUSIC, "test_looped_string_equals_its_transfer_function"),
        "_ring_modes": (MUSIC, "test_ringing_modes_are_decaying_sines"),
    },
}


def kernels(path: Path) -> list[str]:
    return [
        node.name
        for node in walked(path)
        if isinstance(node, ast.FunctionDef)
        and any(ast.unparse(mark).split("(")[0] in ("kernel", "inner_kernel") for mark in node.decorator_list)
    ]


@cache
def named_in(name: str) -> set[str]:
    return {
        node.name
        for node in ast.parse((TESTS / name).read_text("utf-8")).body
        if isinstance(node, ast.FunctionDef)
        and not any("skip" in ast.unparse(m) for m in node.decorator_list)
    }


def test_every_kernel_is_in_the_list() -> None:
    there = {str(path.relative_to(SOURCE).as_posix()): kernels(path) for path in SOURCE.rglob("*.py")}
    assert {name: sorted(found) for name, found in there.items() if found} == {
        name: sorted(held) for name, held in TWINS.items()
    }


@pytest.mark.parametrize("room", TWINS)
def test_every_twin_is_there(room: str) -> None:
    missing = {kernel: at for kernel, at in TWINS[room].items() if at[1] not in named_in(at[0])}
    assert missing == {}


def test_kernels_that_kernels_call_become_part_of_them() -> None:
    """Else the last bits depend on what was loaded first (``inner_kernel``)."""
    marked: dict[str, set[str]] = {"kernel": set(), "inner_kernel": set()}
    called: set[str] = set()
    for path in SOURCE.rglob("*.py"):
        for node in walked(path):
            marks = [ast.unparse(mark) for mark in getattr(node, "decorator_list", ())]
            for mark in marked.keys() & set(marks):
                marked[mark].add(node.name)  # type: ignore[attr-defined]
                calls = [each.func for each in ast.walk(node) if isinstance(each, ast.Call)]
                called |= {ast.unparse(function) for function in calls}
    assert called & marked["kernel"] == set()
    assert marked["inner_kernel"] - called == set()


def test_nothing_is_compiled_past_the_one_door() -> None:
    """Only through ``kernel`` is a kernel serial, cached, and seen by the list above."""
    past = [
        str(path.relative_to(SOURCE))
        for path in SOURCE.rglob("*.py")
        if "numba" in path.read_text("utf-8")
        and path.relative_to(SOURCE).as_posix() not in ("dsp/kernel.py", "dsp/kernel_cache.py")
        if any(
            isinstance(node, ast.Import | ast.ImportFrom) and "numba" in ast.unparse(node)
            for node in walked(path)
        )
    ]
    assert past == []
