/** What the page uses of preact. */
export type Child = VNode | string | number | boolean | null | undefined | Child[];
export interface VNode {
  type: unknown;
  props: Record<string, unknown>;
}
export function h(type: unknown, props: Record<string, unknown> | null, ...children: Child[]): VNode;
export function render(node: Child, parent: Element): void;
export const Fragment: unknown;
