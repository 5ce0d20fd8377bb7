/** What the page uses of preact's hooks. */
export function useState<T>(first: T | (() => T)): [T, (next: T | ((now: T) => T)) => void];
export function useEffect(effect: () => void | (() => void), inputs?: readonly unknown[]): void;
export function useLayoutEffect(effect: () => void | (() => void), inputs?: readonly unknown[]): void;
export function useMemo<T>(make: () => T, inputs: readonly unknown[]): T;
export function useCallback<T>(made: T, inputs: readonly unknown[]): T;
export function useRef<T>(first: T): { current: T };
export function useId(): string;
