/** The values that the JSON API gives and takes (docs/api.md tells each field). Frames are at the take's rate. */

export interface SideSummary { side: string; state: string; length_s: number | null; track_count: number; unsure_count?: number; take?: string | null }

export interface Summary {
  id: string; artist: string; title: string; year: number | null; label: string; state: string;
  sides: SideSummary[]; has_cover: boolean; colour: string | null; last_taken: string | null; play_again_after?: string | null;
  revision: number | string; next_step: string | null;
}

export interface SleeveTrack { number: number; title: string; artist?: string; duration_s: number | null; position?: string; note?: string }
export interface SleeveSide { side: string; tracks: SleeveTrack[] }
export interface Picture { kind: string; width: number; height: number; corners?: [number, number][] | null; straightened?: boolean; changed?: string | number }

export interface TakeInfo {
  id: string; side: string; number: number; length_s: number; taken_utc: string; how: string; chosen: boolean;
  rate_hz: number; bits: number; channels?: number; problems: string[]; discarded?: boolean; stylus?: string; whole_record?: boolean;
}

export interface Track {
  number: number; title: string; artist?: string; start_frame: number; stop_frame: number;
  confidence: number; boundary: "gap" | "segue" | "edge"; edited?: boolean; right?: boolean;
}
export interface Cuts {
  side: string; needle_down_frame: number; needle_up_frame: number | null; music_start_frame: number; music_stop_frame: number; tracks: Track[];
}
export interface Unsure { id?: string; kind: string; side?: string; track?: number | null; frame: number; why: string; repair?: string | number }
export interface Action { do?: string; text: string; edit?: Record<string, unknown> }
export interface Finding {
  code: string; text: string; severity: "note" | "look" | "act"; start_frame: number; stop_frame: number; side?: string; actions?: Action[]; facts?: Record<string, unknown>;
}

export interface RecordSide { side: string; chosen_take: string | null; cuts: Cuts | null; unsure: Unsure[]; state?: string; surveyed?: boolean }

export interface Sides { side: string; tracks: SleeveTrack[] }

export interface RecordWhole extends Summary {
  sleeve_text: string; tracks: SleeveSide[]; pictures: Picture[]; takes: TakeInfo[];
  record_sides?: RecordSide[]; recipe: Recipe; copies: CopySet[]; can_undo: boolean; can_redo: boolean;
  undo_text?: string | null; redo_text?: string | null; findings: Finding[]; catalogue_number?: string; country?: string;
}

export interface Recipe { [field: string]: unknown }
export interface CopySet { kind: string; files: number; bytes: number; written?: string; stale?: boolean }

export type Repair = [id: string | number, start: number, stop: number, channel: string, kind: string, size_db: number, angle: number | null, left: boolean, in_doubt: boolean];

export interface TakeView {
  take: string; rate_hz: number; length_frames: number; channels: number; bits: number; sides: Cuts[];
  findings: Finding[]; level: Record<string, number>; noise: Record<string, number>;
  turn: { period_frames: number; rpm?: number; from?: string }; envelope: { bin_frames: number; db: number[] };
  repairs_count: number; revision: number | string; unsure: Unsure[];
}

export interface LineRead { number: number; text: string; reads_as: string; side?: string | null; track?: number | null; doubts: { code: string; text: string }[] }
export interface SleeveRead { record: { artist: string; title: string; year: number | null; label?: string; catalogue_number?: string; sides: SleeveSide[] }; lines: LineRead[] }

export interface Job { id: string; kind: string; record: string | null; state: "waiting" | "running" | "done" | "failed" | "cancelled"; share: number | null; doing: string; left_s: number | null; result?: unknown; error?: { code: string; text: string } | null }

export interface KindOfCopies { name: string; purpose: string; suffix?: string; scope?: string; bytes_guess?: number }

export interface Reading {
  needle?: string; peak_dbfs?: number[] | number; peak_hold_dbfs?: number[] | number; highest_dbfs?: number; rms_dbfs?: number[];
  hum_dbfs?: number; hum_hz?: number; noise_dbfs?: number; advice?: string; advice_code?: string; state?: string; balance_db?: number; forecast_peak_dbfs?: number;
}
export interface News { code: string; text?: string; facts?: Record<string, unknown>; at?: number | string }
export interface Session {
  record: string; phase: string; side: string; sides?: string[]; elapsed_frames: number; rate_hz?: number; news: News[]; reading?: Reading | null; take?: string | null; taken?: string[];
}
export interface State {
  version: string; shelf: { name: string; record_count: number; free_bytes: number; writable: boolean };
  session: Session | null; jobs: Job[]; pile: string[]; settings: Record<string, unknown>; gauge?: { on: boolean } | null;
}
export interface Input { name: string; id?: string; label?: string; channels: number; rate_hz: number; bits: number; chosen: boolean; default?: boolean; notes?: string[]; is_monitor?: boolean }

/** What the page itself passes from part to part. */

export interface Address {
  place: "shelf" | "new" | "phone" | "turntable" | "sleeve" | "side" | "copies" | "later" | "lost";
  /** Id of the record, or empty. */
  record: string;
  /** Letter of the side, or empty. */
  side: string;
  /** What stands after the hash: a time, a span. */
  at: Record<string, string>;
}

/** One change as it is sent. */
export interface Asked {
  /** Of the record. */
  id: string;
  /** Below the record. */
  path: string;
  puts: boolean;
  body: Record<string, any>;
  /** In words. */
  what: string;
  /** The one it was sent for, once it was. */
  revision?: number;
  /** It is wanted whatever came between. */
  insists?: boolean;
}
export interface Waiting {
  asked: Asked;
  /** Null until it is sent. */
  answer: Promise<any> | null;
  /** To the next page: this one goes. */
  left: boolean;
}

/** Something said to the person, until they have seen it. */
export interface Notice {
  id: number;
  text: string;
  severity: "note" | "look" | "act";
  action: { text: string; run: () => void } | null;
  /** Called once it has been seen. */
  put_by: (() => void) | null;
}
export interface Known {
  link: "starting" | "up" | "down";
  /** The server's state, or null before the first hello. */
  state: any;
  /** Whole records by id. */
  records: Map<string, any>;
  /** Summaries, or null before the first answer. */
  shelf: any[] | null;
  jobs: Map<string, any>;
  session: any;
  notices: Notice[];
  /** The newest news for a screen reader. */
  said: string;
  /** What the live survey told of the side that is being taken. */
  live: any[];
  /** The newest reading. */
  meter: any;
  /** Why, while the disk of the shelf is not there. */
  shelf_gone: string;
}

/** What is listened to. */
export interface Heard {
  rate_hz: number;
  /** Frames. */
  length: number;
  versions: string[];
  /** The version that is heard at first. */
  first: string;
  read: (start: number, stop: number) => Promise<{ rate_hz: number; sounds: Record<string, Float32Array[]> }>;
}
/** One uninterrupted stretch of listening. */
export interface Run {
  /** Frame heard at `at`. */
  from: number;
  /** Time of the context. */
  at: number;
  /** First frame not asked for yet. */
  next: number;
  loop: Span | null;
  out: GainNode;
  gains: Record<string, GainNode>;
  sources: AudioScheduledSourceNode[];
  over: boolean;
  piece: number;
  loading: boolean;
}
/** What is listened to of two takes, and where; places are seconds of the old take. */
export interface Ear {
  sound: import("./sound/listening.js").Listening;
  now: () => number;
  start_s: number;
  stop_s: number;
  put: (at_s: number) => void;
  listen: () => void;
  around: (at_s: number) => void;
  /** The place that is heard again and again. */
  rounding: number | null;
}

/** Frames. */
export interface Span { start: number; stop: number }
export interface Spot { x: number; y: number }
/** The point in the middle, in millimetres, and pixels a millimetre. */
export interface Seen { x: number; y: number; scale: number }
/** How much of each pixel of a small square is covered, 0 to 255. */
export interface Stamp { size: number; cover: Uint8Array }
/** Columns of (low, high) for each channel. */
export interface Tile { values: Float32Array; columns: number; channels: number }
/** What the strip shows. */
export interface Scene {
  start: number; stop: number; needle: number | null; playing: boolean; version: string; choice: any; region: Span | null;
  marks: { frame: number; segue: boolean }[]; cut: any;
}
/** What a picture does with mouse, fingers and wheel. */
export interface Wishes {
  down?: (event: PointerEvent, at: Spot) => void;
  /** One finger or the mouse, once it has moved more than a tap would. */
  drag: (from: Spot, to: Spot) => void;
  /** Two fingers: over 1 when they go apart. */
  pinch: (factor: number, middle: Spot) => void;
  tap: (at: Spot) => void;
  /** A drag has ended. */
  dropped?: () => void;
  wheel: (event: WheelEvent, at: Spot) => void;
}
export interface Dropped { takes: (file: File) => boolean; take: (files: File[]) => void }

/** Recordings that are to be brought in, how many of them have a side, and what is done with them now. */
export interface Bringing { here: number; wanted: number; doing: string; share: number }

export type Edge = "start" | "stop";
export type Choice = { kind: "mark"; track: number; edge: Edge } | { kind: "repair"; id: string | number } | ({ kind: "region" } & Span) | { kind: "finding"; at: number };
export type Edit = (edit: any, what?: string) => Promise<any>;
/** What the parts of the Side place are given. */
export interface OnSide { desk: import("./side/desk.js").Desk; record: any; side: any; unsure: any; edit: Edit }
/** Of a record alone. */
export interface OfRecord { record: any }
