/** What the page uses of htm. */
declare const htm: {
  bind<Node>(make: (type: never, props: never, ...children: never[]) => Node): (
    strings: TemplateStringsArray,
    ...values: unknown[]
  ) => Node;
};
export default htm;
