"""What can go wrong, how it is noticed, what is done about it, and which test shows it.

One row for each kind of fault. A row without a test says what is missing: nothing is covered by
being written down. The contributors' guide holds the same table, made from here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["FAULTS", "NOT_COVERED", "Fault", "found", "table"]

NOT_COVERED = "not covered"


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault: where, what happens, how it is noticed, what is done, which tests."""

    where: str
    happens: str
    noticed: str
    done: str
    tests: tuple[str, ...] = ()

    @property
    def covered(self) -> bool:
        """Whether it is noticed and a test shows it."""
        return bool(self.tests)

    @property
    def text(self) -> str:
        """All of the row, for a search."""
        none = "" if self.covered else NOT_COVERED
        return " ".join((self.where, self.happens, self.noticed, self.done, *self.tests, none))


def _rows(where: str, *rows: tuple[str, str, str, str]) -> list[Fault]:
    return [Fault(where, a, b, c, tuple(tests.split())) for a, b, c, tests in rows]


FAULTS: tuple[Fault, ...] = (
    *_rows(
        "line",
        (
            "a reply is lost",
            "no reply by the deadline",
            (
                "a query is asked again; after a move the position is read, and the move is "
                "never sent again"
            ),
            "test_a_lost_acknowledgement test_a_move_of_unknown_outcome_is_never_sent_again",
        ),
        (
            "a command is lost",
            "deadline, then a position that has not changed",
            "the run ends with every axis stopped; it is not assumed to have moved",
            "test_an_axis_that_stays_put_ends_the_run_with_everything_stopped",
        ),
        (
            "a reply is garbled",
            "fixed grammar, and two readings that must agree",
            "it is discarded and asked again",
            "test_disturbed_answers test_readings_that_never_agree",
        ),
        (
            "a command is garbled",
            "the controller complains, or the axis is not at its target",
            "everything is stopped, and the run ends",
            (
                "test_a_target_understood_wrongly_stops_everything "
                "test_disturbed_queries_are_asked_again"
            ),
        ),
        (
            "a reply comes twice",
            "a line that answers no question",
            "it is left aside",
            "test_a_late_answer_to_an_earlier_question_is_left_aside",
        ),
        (
            "a reply comes after its deadline",
            "the tag, or bytes while the line is drained",
            "the line is drained and the identity asked for before the next question",
            (
                "test_late_answer_is_not_taken_for_the_next "
                "test_device_that_is_another_after_a_timeout"
            ),
        ),
        (
            "a reply is cut short",
            "no end of line by the deadline",
            "it is discarded and asked again",
            "test_answers_that_cannot_be_understood_are_asked_again",
        ),
        (
            "two replies run together",
            "grammar of one line",
            "both are discarded, and asked again",
            "test_disturbed_answers",
        ),
        (
            "commands are echoed",
            "the line is what was sent",
            "dropped where the bench file says so, an error elsewhere",
            "test_echo_that_was_not_announced test_announced_echo_is_checked",
        ),
        (
            "a message that nobody asked for",
            "its prefix",
            "an alarm ends the run, a greeting counts as a restart",
            "test_fault_is_told_unasked_once_and_refuses_moves",
        ),
        (
            "a controller restarts during a move",
            "its greeting, a lost zero, a jump of the position",
            "the axis counts as lost: nothing moves until a person has homed it",
            "test_restart_in_mid_move test_a_restart_in_motion_is_noticed",
        ),
        (
            "a controller hangs while its port lives",
            "no reply, again and again",
            (
                "the watch pauses, closes the line and opens it again with back-off; after a day"
                " it latches"
            ),
            (
                "test_an_outage_is_one_event_however_often_the_line_is_tried "
                "test_an_outage_that_lasts_latches"
            ),
        ),
        (
            "unplugged at rest",
            "an error of the port at the next reading",
            "the watch pauses and tries to open the line again",
            "test_unplugged_at_rest test_a_closed_line_is_opened_again_and_the_watch_goes_on",
        ),
        (
            "unplugged during a move",
            "an error of the port",
            (
                "the move stays open in the journal, nothing is finished by itself; positions "
                "are compared once the line is back"
            ),
            "test_unplugged_in_mid_move",
        ),
        (
            "plugged in again under another name",
            "the path of the bench file is opened, whoever it leads to",
            "give a path that stays with the device; the identity is compared",
            "test_lock_follows_links",
        ),
        (
            "another device on the port",
            "identity",
            "refused before anything moves; the watch latches",
            "test_wrong_identity test_another_controller_on_the_reopened_line_latches",
        ),
        (
            "endless bytes",
            "cap on the length of a line and absolute deadlines",
            "the line is closed",
            "test_babble",
        ),
        (
            "output blocked",
            "deadline of the write; flow control by characters is off",
            "the line is closed, and the outcome counts as unknown",
            "test_write_that_stays_blocked_closes_the_line",
        ),
        (
            "another program on the port",
            "lock by what the port really is, exclusive opening",
            "refused",
            "test_port_of_another_stage test_port_of_a_program_that_only_locks_the_device",
        ),
        (
            "wrong speed or parity",
            "no identity that can be read",
            "refused",
            "test_nonsense_instead_of_an_identity",
        ),
        (
            "half a command left in the controller by a crash",
            "bare line ends are sent first",
            "the complaint that they bring is absorbed, then the identity is asked for",
            "test_bare_line_ends_absorb_what_a_crashed_host_left",
        ),
        (
            "a network bridge that no longer carries anything",
            "no reply by the deadline",
            "as a controller that hangs",
            "test_network_port_where_nobody_listens",
        ),
        (
            "settings of a controller have changed",
            "units and modes are read before the first move, for the dialects that tell",
            "refused",
            "test_a_machine_that_reports_in_other_units_is_found_out",
        ),
        (
            "a line that grows slowly worse",
            "",
            "",
            "",
        ),
    ),
    *_rows(
        "motion",
        (
            "an axis stalls",
            "late against distance and speed",
            "everything is stopped; the watch latches after three realignments that broke off",
            "test_stall test_an_axis_that_stalls_is_not_driven_again_and_again",
        ),
        (
            "steps are lost without an encoder",
            "the beam does not move as the model predicts",
            "more measurements and a corrected model; named where it explains what is seen",
            "test_a_slip_moves_the_beam_but_not_the_reading",
        ),
        (
            "backlash",
            "measured by the check; reversal against the stated value",
            "targets are approached from one side, and limits include the overshoot",
            (
                "test_backlash_is_cured_by_the_approach "
                "test_the_overshoot_counts_as_much_as_the_target"
            ),
        ),
        (
            "creep after a move",
            "measurements wait for the stated settling time",
            "closed loop on the beam, with a budget",
            "test_settling_time_counts_from_the_last_disturbance",
        ),
        (
            "a limit switch is hit",
            "fault of the axis",
            "the run ends with everything stopped",
            "test_limits_and_faults_refuse_a_move",
        ),
        (
            "a limit switch is stuck",
            "",
            "",
            "",
        ),
        (
            "an axis moves the wrong way",
            "the check's tiny steps; the fit of a realignment",
            "named; a realignment on it is not called in spec",
            "test_a_reversed_axis_is_named",
        ),
        (
            "an axis moves by the wrong amount",
            "the check; the fit",
            "named, with the factor",
            "test_a_wrong_scale_is_measured",
        ),
        (
            "two axes are exchanged",
            "each axis alone in the check; the fit",
            "both are named",
            "test_exchanged_axes_name_each_other",
        ),
        (
            "an axis begins to move another part as well",
            "residuals of the fit",
            "directions are fitted again; nothing is said to a person",
            "",
        ),
        (
            "slow drift",
            "level and drift rate from all measurements since the last move",
            "realigned before the spec is left, within budgets an hour and a day",
            (
                "test_a_drift_out_of_spec_is_met_before_it_gets_there "
                "test_a_drifting_bench_is_realigned_and_stays_in_spec"
            ),
        ),
        (
            "homing is lost",
            "status of the axis",
            "nothing moves on it",
            "test_lost_homing_refuses test_homing_lost_on_the_way_is_a_fault",
        ),
        (
            "homing fails",
            "",
            "nothing here homes an axis: a person does, with the maker's program",
            "",
        ),
        (
            "an interrupted move goes on later",
            "everything is stopped when a line is opened again",
            "positions and beam must be steady before anything moves",
            "test_after_a_crash_in_a_move_it_begins_on_hold",
        ),
        (
            "done is reported too early",
            "two readings at the target and idle",
            "waits for them",
            "test_arrived_is_read_back_twice test_an_acknowledgement_is_not_an_arrival",
        ),
        (
            "a move never ends",
            "deadline from distance and speed",
            "stopped, and named",
            "test_an_axis_that_never_stops_moving_meets_its_deadline",
        ),
        (
            "a stop is not obeyed",
            "the axis still moves",
            ("the stop is repeated, then named as an error that asks for the hardware's own stop"),
            "test_an_axis_that_ignores_the_stop_is_named",
        ),
        (
            "somebody else stops a move",
            "not at its target",
            "not reported as an arrival",
            "test_someone_elses_stop_is_not_an_arrival",
        ),
        (
            "a position jumps without a command",
            "compared with the last one before each measurement and move",
            "the watch pauses until all is steady",
            "test_positions_lost_while_no_watch_ran_are_not_believed",
        ),
        (
            "units are mixed up",
            (
                "every quantity of a bench file has its unit; limits and travel of a move are "
                "checked last"
            ),
            "refused",
            "test_a_move_may_not_be_longer_than_its_axis_allows",
        ),
        (
            "something is in the way before the limit",
            "as a stall",
            "as a stall",
            "test_a_machine_that_stalls_is_late_and_stopped",
        ),
        (
            "the bench settles more slowly than stated",
            "measured by the check",
            "named with the time",
            "test_a_bench_that_is_slow_to_rest_is_found",
        ),
        (
            "an axis sags when its motor is switched off",
            "its position, as a jump",
            "the watch pauses",
            "test_an_axis_that_creeps_by_small_steps_is_seen",
        ),
    ),
    *_rows(
        "detector",
        (
            "saturation",
            "share of pixels at the top, or a plateau",
            "moments count as less certain, by what may be hidden",
            "test_a_plateau_is_saturation_without_being_told",
        ),
        (
            "no light",
            "signal within the noise",
            "the watch pauses and nothing searches",
            "test_a_shutter_closed_is_no_reason_to_move",
        ),
        (
            "a frozen camera",
            "the same pixels twice",
            "the watch pauses; a run ends with words",
            "test_a_frozen_camera_moves_nothing",
        ),
        (
            "an old frame",
            "its time stamp against the end of the move",
            "left out",
            "test_exposures_begun_before_settling_never_reach_a_decision",
        ),
        (
            "hot and dead pixels",
            "found in dark frames and in the frame itself",
            "masked",
            "test_hot_pixels_side_by_side_are_no_beam_whatever_the_background",
        ),
        (
            "the room light changes",
            "background against the frame before",
            "named; the uncertainty grows",
            "test_a_change_of_the_ambient_light_is_named",
        ),
        (
            "the beam is cut by the sensor's edge",
            "light at the edge",
            "good for its direction only",
            "test_a_sliver_of_a_beam_in_a_corner_says_which_way_and_no_more",
        ),
        (
            "a second spot",
            "a second peak",
            "widths and centroid count as less certain, by what it may shift",
            "test_a_beam_with_a_ghost_in_it_is_not_called_in_spec",
        ),
        (
            "frames are dropped",
            "too few by the deadline",
            "a failed measurement, asked again",
            "test_one_failed_acquisition_is_data_and_a_dead_detector_an_error",
        ),
        (
            "exposure or gain is changed from elsewhere",
            "a step of the light without a move",
            "the watch pauses",
            "test_the_unexpected_pauses_and_says_what",
        ),
        (
            "wrong pixel pitch, region, flip or turn",
            "the check; the fit of a realignment",
            "the camera is named, and not believed",
            "test_a_mirrored_camera_is_named",
        ),
        (
            "a frame of two halves",
            "a step between rows",
            "good for its direction only",
            "test_each_fault_is_named test_a_sharp_edge_is_no_tear",
        ),
        (
            "frames of another size",
            "refused by the comparison with the frame before",
            "a failed measurement",
            "",
        ),
        (
            "the source loses power",
            "light at a plane against the measurement before and the first",
            "the watch pauses and says to check the source, not the mirrors",
            "test_a_source_that_fades_slowly_is_seen_however_long_ago_the_move_was",
        ),
        (
            "the beam's own shape changes",
            "",
            "",
            "",
        ),
        (
            "the dark level drifts",
            "background is measured in every frame",
            "subtracted",
            "test_a_dark_frame_takes_its_pattern_off",
        ),
        (
            "a camera is unplugged or hangs",
            "deadline of the exposure",
            "the watch pauses and asks again with back-off; after a day it latches",
            "test_a_camera_that_stays_dead_ends_in_safe",
        ),
        (
            "another camera answers",
            "the folder or address of the bench file is believed",
            "cameras have no identity here; an exchange shows in the check and the fit",
            "test_exchanged_cameras_are_named",
        ),
        (
            "a number that is none",
            "finite and in range at the boundary",
            "the measurement is invalid",
            "test_nan_is_outside",
        ),
        (
            "one bad frame among good ones",
            "against all measurements since the last move",
            "measured again; one measurement moves nothing",
            "test_a_passing_outlier_moves_nothing",
        ),
    ),
    *_rows(
        "computer",
        (
            "the process is killed",
            "a journal without an end, an open intent",
            "the next watch begins paused, reads positions, and goes on once all is steady",
            (
                "test_every_executed_move_has_a_durable_intent_after_kill_9 "
                "test_a_realignment_cut_off_between_two_moves_begins_on_hold"
            ),
        ),
        (
            "power fails",
            "as a kill; controllers that lost their zero say so",
            "the zero is not believed",
            "test_power_cut_loses_the_zero_and_homing_finds_it",
        ),
        (
            "the disk is full",
            "the journal cannot be written",
            (
                "nothing moves; the watch pauses and goes on once there is room; after a day it "
                "latches, with the incident for which room was kept"
            ),
            (
                "test_a_full_disk_pauses_and_the_watch_goes_on_once_there_is_room "
                "test_safe_outlives_a_full_disk"
            ),
        ),
        (
            "writing to disk fails",
            "an error of the journal",
            "no motion without a record",
            "test_no_motion_without_a_record",
        ),
        (
            "the clock is set",
            "deadlines run on a clock that cannot be set",
            "wall times are in records only",
            "test_virtual_clock_refuses_to_run_backwards",
        ),
        (
            "the computer sleeps, or the process is held",
            "a wait took much longer than it should",
            "the watch pauses until positions and beam are steady again",
            "test_a_process_that_was_held_begins_anew",
        ),
        (
            "the computer is too slow",
            "age of frames against the move",
            "old frames are left out",
            "test_pictures_from_before_the_move_settled_are_passed_over",
        ),
        (
            "memory or handles leak",
            "counted over a soak",
            "shown in its result",
            "test_a_soak_counts_memory_and_open_files",
        ),
        (
            "a second watch of the same folder",
            "lock",
            "refused",
            "test_two_watches_do_not_share_a_folder",
        ),
        (
            "a damaged journal",
            "digest of every record",
            "set aside in words, nothing is lost",
            "test_a_damaged_record_of_a_realignment_is_set_aside_and_locks_nothing",
        ),
        (
            "a bench file with mistakes",
            "all of them are listed, with their lines",
            "nothing is opened",
            "test_five_mistakes_are_reported_at_once_in_the_order_of_the_file",
        ),
        (
            "a hub resets: everything is gone at once",
            "several devices fail in one measurement",
            "one outage, opened again in one go",
            "test_an_outage_is_one_event_however_often_the_line_is_tried",
        ),
        (
            "the process hangs",
            (
                "no sign of life: its status is called lost, and the service manager restarts it"
                " where it is one of its units"
            ),
            "the next watch begins as after a kill",
            "test_a_watch_that_was_killed_is_lost_whatever_its_file_says",
        ),
        (
            "a reader of the journal gets in the way",
            "readers take a copy and lock nothing",
            "the writer never waits",
            "test_a_reader_writes_nothing",
        ),
        (
            "a signal at any moment",
            "handlers set a flag, or stop every axis",
            "an orderly end; a second signal at once",
            (
                "test_a_polite_kill_ends_the_watch_in_an_orderly_way "
                "test_whatever_is_raised_in_mid_move_stops_the_axes_and_closes_the_record"
            ),
        ),
        (
            "status is wanted on a full disk",
            "read from a copy in memory",
            "readable",
            "test_a_journal_on_a_full_disk_can_be_read_where_it_is",
        ),
        (
            "other firmware with other meanings",
            "identity holds the version, where the controller tells it",
            "another identity is refused",
            "test_wrong_machine",
        ),
    ),
    *_rows(
        "people",
        (
            "the beam is blocked by a hand or a card",
            "no light, or one side of the beam is gone",
            "the watch pauses; nothing searches",
            "test_a_card_hides_one_side_of_the_beam",
        ),
        (
            "a mount is moved by hand",
            "the beam jumps without a move",
            "the watch pauses until it is steady, then realigns",
            "test_after_a_knock_it_realigns_once_things_are_steady",
        ),
        (
            "the light is off or interlocked",
            "no light at any plane",
            "the watch pauses",
            "test_the_unexpected_pauses_and_says_what",
        ),
        (
            "emergency stop",
            "fault of the axis, or no answer",
            "nothing is reset by itself",
            "test_alarm_stands_until_a_person_acknowledges_it",
        ),
        (
            "an axis is jogged from a panel",
            "its position without a command",
            "the watch pauses",
            "test_the_unexpected_pauses_and_says_what",
        ),
        (
            "the bench file of another bench",
            "identities of the controllers",
            "refused",
            "test_wrong_identity",
        ),
        (
            "an optic is exchanged",
            "the fit contradicts the calibration",
            "the calibration is not used, and that is said",
            "test_the_memory_of_another_layout_is_refused",
        ),
        (
            "limits are typed wrong",
            "limits against each other, backlash and travel",
            "all mistakes are listed",
            "test_reversed_limits_say_what_to_do",
        ),
        (
            "two people or scripts at once",
            "lock of the port and of the folder",
            "the second is refused",
            "test_port_of_another_stage test_two_watches_do_not_share_a_folder",
        ),
        (
            "a person works on the bench during a watch",
            "the local file of the folder",
            "the watch pauses until it is gone and all is steady",
            "test_a_person_at_the_bench_pauses_until_they_are_gone",
        ),
        (
            "the table is knocked",
            "a jump of the beam",
            "the watch pauses until it is steady",
            "test_the_unexpected_pauses_and_says_what",
        ),
        (
            "the room's temperature goes up and down",
            "as slow drift",
            "as slow drift",
            "test_a_drifting_bench_is_kept_in_spec",
        ),
        (
            "an incident is cleared without looking",
            "the number of the incident has to be given",
            "asked for again; then paused until all is steady",
            "test_safe_outlives_the_watch_until_its_incident_is_cleared",
        ),
    ),
)


def found(word: str, faults: Iterable[Fault] = FAULTS) -> list[Fault]:
    """Return the rows in which ``word`` occurs anywhere, in any case; all for ""."""
    wanted = word.casefold()
    return [f for f in faults if wanted in f.text.casefold()]


def table(faults: Iterable[Fault] = FAULTS) -> str:
    """Return the rows as a table for the contributors' guide."""
    lines = [
        "| where | what happens | noticed by | what is done | shown by |",
        "|---|---|---|---|---|",
    ]
    for f in faults:
        tests = ", ".join(f"`{t}`" for t in f.tests) or NOT_COVERED
        cells = (f.where, f.happens, f.noticed or "nothing", f.done or "nothing", tests)
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)
